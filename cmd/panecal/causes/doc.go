// Package causes is what the desk's analyst asks of one unit and its population:
// `panecal cause` (what is probably wrong, and how well such calls are right on
// simulated units), `panecal compare` and `panecal picture`.
//
// It also holds the simulated faults and worlds in which package station/cause
// learns and is tried. It keeps nothing; errors are those of the log, with what was
// being read.
package causes
