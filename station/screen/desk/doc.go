// Package desk is the test engineer's screen: what the attempts in a log look
// like, and what another limit would have done with them, at once. And it is the
// analyst's, [Browse]: attempts found in a [Past], and pages about one of them.
//
// It draws and counts; it opens nothing. What it reads comes from a [Log], block
// by block, and is kept packed: one reading a choice of attempts and a quantity.
// A limit that moves reads nothing. Everything a page shows it draws from one
// [State]; a page is a [Page], and a new one stands in pages and nowhere else.
//
// Drawing is of half blocks, or of ASCII where that is asked, and no colour says
// anything that a sign does not say too. Sizes are terminal cells; it is made for
// 80 x 24 and more. Whoever calls [Run] has the terminal back when it returns; its
// one goroutine is the terminal library's, and readings run in commands of it.
package desk
