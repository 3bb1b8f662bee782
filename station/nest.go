package station

import (
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
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

// attempt is what one attempt has brought so far.
type attempt struct {
	number    int
	began     time.Time
	crew      Crew // as it was when the attempt began
	confirmed bool // the label is confirmed by unit or list
	tie       string
	intent    *record.Ref
	found     []byte // block found in the unit
	stages    []record.Stage
	captures  []*record.Capture
	refs      []record.CaptureRef
	wire      record.Wire
	problems  []record.Problem
	faults    []estimate.Fault
	tempCel   float64 // NaN: not known

	tries  int        // captures of the kind in hand, bad ones
	scene  scene      // what the field looked like
	dark   scene      // what it looked like without a target
	looks  sceneWatch // watching it change
	target *protocol.Capture

	unitRanges *estimate.Summary // as the unit itself ranges, compensation off

	leakage      *estimate.Leakage
	offsets      *estimate.Offsets
	verification *estimate.Verification
	constants    estimate.Constants
	projection   []float64
	quantities   quantity.Set

	paused    string // why nothing ran between capture and write, "" if all ran
	addedBack []byte // block whose effect on the captures was undone

	block       *protocol.Block // as written
	written     []byte
	readBack    []byte
	state       string // of the constants, as last confirmed
	writeIntent *record.Ref

	code   Code // why the attempt ends; "" while nothing speaks against it
	detail string
	other  string
	result limits.Judgement
	record record.Ref
}

// clear forgets the unit.
func (m *Machine) clear(n *nest) {
	m.rest(n)
	n.unit, n.label, n.serial, n.purpose = protocol.Identity{}, "", "", m.cfg.Purpose
	n.early, n.quiet, n.reseated, n.mute, n.empty, n.proof = 0, 0, false, false, false, 0
	n.trouble, n.verdict, n.att = nil, nil, attempt{}
	n.queue, n.after = nil, nil
}
