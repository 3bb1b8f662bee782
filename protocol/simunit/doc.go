// Package simunit is a simulated ranging unit: it speaks package protocol on
// any line, counts photons that follow from a window's geometry and the lidar
// equation, and ranges by code of its own.
//
// It exists so that a station can be tried end to end, over a real serial line
// if wanted, against something that knows the truth. It shares no code with
// the estimator; the truth ([Unit.Truth]) is for tests only. The products and
// all their numbers are invented.
//
//	m := simunit.Hopper54()                       // the product, with its spread
//	u, err := simunit.New(m, seed, simunit.Options{Hands: simunit.UsualHands(2*time.Second, 300, 0.5)})
//	path, err := simunit.ServePTY(ctx, u)         // or u.Serve(ctx, pipe)
//
// A unit does not run by itself: at each request, and at each call of a
// method, it works out what has happened since the last one. So it needs no
// goroutine but those of Serve, lives in any time that Options.Now tells, and
// gives the same photons for the same seed however often it is asked in
// between.
//
// What is in front of the unit is its [Scene], changed by [Unit.SetScene] or by
// [Options.Hands], moves that wait for what the station does. [Unit.Seat] and
// [Unit.TakeOut] are the nest: outside it the unit is dark and silent. Things
// go wrong by [Fault] (once, at a request), by [Flaw] (the unit is made so) or
// by the model (dead zones, another product).
//
// Lengths in mm, times of flight in ps, rates in counts per shot, angles in
// degrees where the name says so. A Unit is safe for concurrent use; Serve
// runs once at a time and leaves its line to the caller. Errors: New refuses a
// model that cannot be; Serve returns why its line ended.
package simunit
