package station

import (
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/station/product"
	"example.org/panecal/store/record"
)

// nest is one position that holds a unit.
type nest struct {
	index int
	sheet product.Nest
	files *Files // in force for the unit in hand
	next  *Files // in force when its label was scanned

	purpose Purpose // of the unit in hand

	step  Step
	since time.Time // when the step began

	awaits  Token     // of the answer awaited, 0 for none
	timer   Token     // of the timer set, 0 for none
	capture *Capture  // taken, or waiting for the light
	queued  time.Time // since when it waits

	shotsDone, shotsTotal int64

	unit     protocol.Identity // zero before it has answered
	label    string            // as scanned, "" for none
	serial   string
	scanned  time.Time
	early    int   // times it fell silent before the attempt began
	quiet    int   // probes in a row without an answer
	reseated bool  // the operator was asked once to reseat it
	empty    bool  // silence proved it so since it became vacant
	proof    Token // only a probe after this one does
	probed   Token // the last probe
	mute     bool  // the unit never answered: its leaving cannot be seen
	trouble  *Message
	verdict  *Verdict
	att      attempt

	queue []record.Body // records still to be made in this step
	after func()        // what follows Halting, Changing

	lifts   []record.Entry // stops to lift at the start
	stop    *Stop          // in force or about to be
	stopRef *record.Ref
	lifting *LiftStop

	stood     scene     // what the last good target added to the dark
	silentRow int       // units in a row that did not answer
	shifts    []float64 // mean offsets in a row out of limits, mm
	same      string    // how the last units failed
	sameRow   int       // how many in a row did
	checkRow  int       // runs of check units in a row that did not pass
}

// clear forgets the unit.
func (m *Machine) clear(n *nest) {
	m.rest(n)
	n.unit, n.label, n.serial, n.purpose = protocol.Identity{}, "", "", m.cfg.Purpose
	n.early, n.quiet, n.reseated, n.mute, n.empty, n.proof = 0, 0, false, false, false, 0
	n.trouble, n.verdict, n.att = nil, nil, attempt{}
	n.queue, n.after = nil, nil
}
