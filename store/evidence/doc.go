// Package evidence gives the raw captures of a recorded attempt the form that the
// estimator takes, with the released files that were in force then, and computes
// the attempt once more.
//
// It reads the log and changes nothing. What was recorded and what comes out now
// are held against each other number for number: with the same version of the
// program on the same processor they are the same bits.
//
// Units are those of the records. Values are plain data; [Files] keeps what it has
// read and is for one goroutine. Errors say what was being done; [ErrNoCaptures]
// where the log has no raw captures of an attempt that can be computed.
package evidence
