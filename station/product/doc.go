// Package product reads the two released files that say what is calibrated
// and on what: the product file (how the units of one product are measured,
// what they hold, which labels they carry, what happens at a retest) and the
// station sheet (the nests of one station, each with its port, its fixture
// and the target distance that its certificate states).
//
// The product file fixes everything in a measurement that the units of a
// product share; limits are a file of their own (package limits). Neither
// file can be changed while it is in force: a change is a new revision. Units
// stand in the names: mm, ps, rad, Cel, K. Products and sheets are plain
// values, immutable once read and safe for concurrent use. Mistakes in a file
// are strict.Faults; no file is read in part.
package product
