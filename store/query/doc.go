// Package query puts together what the log knows about one unit, for people
// and for scripts.
//
// It reads and never judges anew: every number, bin and disposition is as it
// was recorded. [Unit] is the JSON object panecal.unit/1, whose keys are
// stable; a number that is not known or not finite is null. [Unit.WriteText]
// is for a terminal: text that came from units, labels or files is shown with
// control characters escaped. Units of numbers are UCUM codes, times RFC 3339
// in UTC. Everything is plain data, owned by the caller. Errors are those of
// the reader, with what was being read.
package query
