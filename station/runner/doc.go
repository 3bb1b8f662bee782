// Package runner carries out what a [station.Machine] decides: it talks to the
// units, appends to the log, computes the estimates, keeps the time, and tells
// the machine what came of each as an event.
//
// It decides nothing about a unit and draws nothing. A [Runner] outlives any
// screen: it hands out snapshots and never waits for who reads them. Each nest
// has a goroutine that alone owns the nest's line, the log has one, and
// estimates, gate and fixture run in goroutines of their own; the machine
// itself runs in the goroutine of [Runner.Run]. A panic in any of them stops
// what it serves, emitter first, and becomes a failure on record.
//
// What the log was given and did not acknowledge may be there or not: the same
// is given once more, which settles it (see [station.Log]). Errors of units
// and of the store become events; [Runner.Run] returns only what it could not
// handle. Times are the clock's of [Options], durations those of package time.
package runner
