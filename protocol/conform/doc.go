// Package conform tries a unit against SPEC.md, clause by clause, through its
// line and, where there is one, a [Bench] that can cut its power, break its
// hardware and look at its emitter.
//
// It measures nothing and knows no product: whatever speaks the protocol can
// be tried. What it cannot see from outside it does not claim: clauses that
// SPEC.md marks so, and clauses that the unit or the bench gave no chance to
// try, are told apart in the [Report].
//
// A run writes constants of its own into the unit and puts back those that it
// found, lets the emitter shine, and takes a minute or two. It assumes a line
// without bit errors: what it hears damaged counts against the unit.
//
// A run owns its port until it returns; the caller opens and closes it. Run is
// not to be called twice at a time for one port. Errors: only a line that is
// lost, a unit that never answers, or a context that ended; everything else is
// in the report.
package conform
