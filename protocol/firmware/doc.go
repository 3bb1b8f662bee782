// Package firmware is the unit's side of the wire for a microcontroller, and
// the means to try it on a desk: the C99 kit in the folder kit, and a program
// around it, the folder host, that is a second simulated unit on a
// pseudo-terminal. Kit and program share no code with the Go side; their
// sources are embedded here, and [Build] compiles them.
//
// The package is no part of the station. It exists so that the station, its
// client and the conformance run can be tried against an implementation that
// somebody else could have written. README.md tells how the kit is ported.
//
//	program, err := firmware.Build(ctx, dir, firmware.BuildOptions{})
//	host, err := firmware.Start(ctx, program, firmware.Options{Twin: unit})
//	path := host.Path() // or host.Serve(ctx, line)
//
// A [Lockstep] is the same program without a clock and a pseudo-terminal: it
// lives in the time of who calls it, so that it can take part in tests in
// virtual time (package testing/synctest), and answers on any line.
//
// Photons come from a generator of the program's own, or from a [Twin]: another
// unit that speaks the protocol, as package simunit's does. The twin hears
// whatever the C unit hears, so it exposes the same captures of the same scene
// at the same time, and what it counted is put into the C unit's accumulators;
// everything that the station sees is said, ranged, kept and judged by the C
// unit alone. Only a twin without histograms has no counts to range from: its
// ranges are passed on.
//
// A defect ([Defects]) is one mistake worked into the sources before they are
// compiled, for a conformance run to find.
//
// Shots and counts are plain numbers, times milliseconds, temperatures
// thousandths of a degree Celsius. A Host and a Lockstep are safe for
// concurrent use; the process ends with Close, a Host's also with its context.
// Errors: no C compiler
// ([ErrNoCompiler]), sources that do not compile, a process that is gone. The
// program needs Linux.
package firmware
