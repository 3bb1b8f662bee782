// Package proposing is the sub-command `limits propose`: limits from data, from
// what the product promises, and from the window's drawing. A command gets the
// log from a function. What it proposes is for people to judge, draft and
// release; nothing here puts limits into force.
package proposing
