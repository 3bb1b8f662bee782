// Package productmake is the sub-command `product`: a product file, and first
// limits, from units at known distances and from what documents say, for a
// product that nobody has written a file for; and the check of such a file.
//
// Over the line it only takes captures, compensation off; it writes nothing into
// a unit. What is found is found by package survey and by the estimator. What is
// not found is listed, with the reason; the file then holds a stand-in that its
// comment names as one.
package productmake
