// Package station is a calibration station: one pure [Machine] decides for
// every nest what happens next. Package station/runner carries it out.
//
// The machine takes an [Event] (what happened, when, in which nest) and gives
// back the [Effect]s that follow (ask the unit, append to the log, show). It
// has no clock, no goroutine and does no I/O; the same events give the same
// effects. An effect that will be answered carries a [Token]; an answer whose
// token is no longer awaited is ignored. The order of effects is the promise
// of this package:
//
//	attempt intent durable → old block void → captures → write intent durable →
//	constants committed → read back equal byte for byte → verified → judged →
//	result durable → released mark in the unit → verdict shown
//
// so that no verdict is shown without a durable record, and no unit is
// released whose constants differ from the record.
//
// The package neither measures (station/estimate), judges (limits), stores
// (store) nor draws (station/screen): it orders them. [Device], [Log], [Past],
// [Fixture] and [Gate] are what it needs of the world. Every text an operator
// may be shown comes from one table, see [Codes].
//
// To read it: step.go names the steps, table.go says what follows in each;
// machine.go takes events and gives effects; nest.go and attempt.go hold what
// is known. Each other file is one noun on a unit's way.
//
// Times are UTC, durations are time.Duration, distances in millimetres. A
// Machine belongs to one goroutine; a [Snapshot] is immutable and may be read
// by any. Errors of devices and stores are not returned but become facts of
// the machine: each ends as a [Code] on the screen and a whole chain in the
// log.
package station
