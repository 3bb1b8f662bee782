// Package inbox is what others send to a station: a folder beside its store,
// into which they put signed files. It takes up notes about
// units, decisions about units and released files.
//
// A file is on record before it is moved, so that none is lost and none counts
// twice; what is refused stands aside with the reason, and the operator is
// told. Files are read while no unit is in hand. Times are UTC.
package inbox
