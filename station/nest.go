package station

import (
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/station/product"
	"example.org/panecal/store/record"
)

// nest is one position that holds a unit. What is reset together stands in one
// struct and is reset by one assignment.
type nest struct {
	index int
	sheet product.Nest
	files *Files // in force for the unit in hand
	stood scene  // what the last good target added to the dark
	gone  departed
	lit   *lit    // whose emitter is not confirmed off, nil for none
	last  *Result // of the unit that was here last, nil once another came
	// mended: a stop was lifted after which a check unit has to pass.
	mended bool
	warned int // the last of WarnedBefore that the certificate's end was spoken of, 0 for none
	// wanted are the check units that have to pass yet, by serial; empty where any
	// one will do.
	wanted map[string]bool

	stay             // until enter
	awaited          // until rest
	visit            // until clear
	stopState        // until the stop is lifted
	streak    streak // until the nest stops
}

// departed is the unit that was taken out of the nest with its result.
type departed struct {
	unitID, serial string
	at             time.Time
}

// stay is the nest's time in one step.
type stay struct {
	step                  Step
	since                 time.Time // when the step began
	shotsDone, shotsTotal int64     // of the capture in hand
}

// awaited is what the nest waits for.
type awaited struct {
	awaits Token // of the answer, 0 for none
	timer  Token // of the timer set, 0 for none
}

// visit is all about one unit in the nest, from its label or its first answer
// until it has gone.
type visit struct {
	purpose  Purpose
	unit     protocol.Identity // zero before it has answered
	label    string            // as scanned, "" for none
	serial   string
	stray    bool      // nobody can say what the unit is called
	labelled time.Time // when the nest was given the label
	next     *Files    // in force when the label was scanned
	contact
	trouble *Message // what stands in the way now
	verdict *Verdict
	shown   time.Time // since when
	att     attempt

	queue []record.Body // records still to be made in this step
	after func()        // what follows Halting, Changing
}

// contact is how the unit, or an empty nest, has answered.
type contact struct {
	early    int   // times it fell silent before the attempt began
	quiet    int   // probes in a row without an answer
	reseated bool  // the operator was asked once to reseat it
	mute     bool  // the unit never answered: its leaving cannot be seen
	empty    bool  // silence proved it so since it became vacant
	proof    Token // only a probe after this one does
	probed   Token // the last probe
}

// stopState is the nest's stop and how far its record has come.
type stopState struct {
	stop    *Stop          // in force or about to be
	stopRef *record.Ref    // of its record, nil until that is durable
	lifting *LiftStop      // while the end of the stop is being recorded
	lifts   []record.Entry // stops from before the start, to be lifted at it
	kept    []record.Entry // of them those that stay until somebody lifts them
}

// clear forgets the unit.
func (m *Machine) clear(n *nest) {
	m.rest(n)
	n.visit = visit{purpose: m.cfg.Purpose}
}
