// Package decision moves units to another disposition after their verdict:
// somebody decides that a unit, or all units that filters choose, are held,
// taken off hold, scrapped or were reworked.
//
// A decision is an [Order]. It comes as a file in a station's inbox, or from the
// station's own screen. A hold may come unsigned; all else is signed by somebody
// who may decide. A [Desk] carries an order out by the station's own log: it
// chooses the units there, and puts the decision and a change for each unit on
// record. What was decided is firm: no verdict moves a unit from it.
//
// A unit comes off hold to release only where its last production attempt
// passed, its constants were written and its mark is not in doubt; else to
// rework, and it must pass again. Who caused the hold does not matter. A
// concession releases a unit that did not pass, and names its document. Scrap is
// final.
//
// The station itself decides in one case: where check units did not pass in a nest
// twice in a row, all units made there since the last good check go on hold.
//
// An order is carried out once: one that comes again finds its units decided. One
// that was decided before a unit's newest decision does not touch the unit. Where
// the station was cut off half way, the rest is done when the file is read again.
// Times are UTC. Any goroutine may use a Desk.
package decision
