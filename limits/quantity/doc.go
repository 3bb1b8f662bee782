// Package quantity names what the station measures: the quantities that
// limits can bound and records keep, each with its unit (a UCUM code) and its
// place in a row of numbers.
//
// It holds no measurement (package station/estimate defines and computes the
// quantities) and no limit. Names, units and columns are for ever: a column
// is never moved or given to another quantity, new quantities take new
// columns at the end. Everything here is a plain value; nothing is shared
// between goroutines.
package quantity
