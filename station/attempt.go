package station

import (
	"maps"
	"math"
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
	"example.org/panecal/store/record"
)

// attempt is what one attempt has brought so far, in groups by what they
// speak of. begin starts it, and it goes with the visit.
type attempt struct {
	number    int
	reworks   int // of the unit, over its life
	began     time.Time
	crew      Crew // as it was when the attempt began
	roster    record.Revision
	tie       string // how label and unit belong together
	confirmed bool   // the label is confirmed by unit or list
	intent    *record.Ref
	found     []byte                    // block found in the unit
	void      record.Void               // what the void in it bears, as on record; "" for none made
	tempCel   float64                   // NaN: not known
	decided   *record.DispositionChange // that keeps the unit, made while it runs; nil for none
	gate      *record.Gate              // what it said before the attempt, nil where none was asked
	paused    string                    // why nothing ran between capture and write, "" if all ran

	warming warming

	account
	field
	measured
	adjustment
	conclusion
}

// account is what happened in the attempt, for the record.
type account struct {
	stages   []record.Stage
	captures []*record.Capture
	refs     []record.CaptureRef // of captures, once durable
	wire     record.Wire
	problems []record.Problem
	faults   []estimate.Fault
}

// field is what the unit has seen in front of it.
type field struct {
	tries  int        // captures of the kind in hand, bad ones
	scene  scene      // what the field looked like
	dark   scene      // what it looked like without a target
	goal   goal       // of the motion in hand
	far    bool       // the target stands at the second distance, or is on its way there
	looks  sceneWatch // watching it change
	target *protocol.Capture
	place  place
}

// measured is what the captures gave.
type measured struct {
	leakage      *estimate.Leakage
	offsets      *estimate.Offsets
	unitRanges   *estimate.Summary // as the unit itself ranges, compensation off
	addedBack    []byte            // block whose effect on the captures was undone
	constants    estimate.Constants
	projection   []float64
	verification *estimate.Verification
	quantities   quantity.Set
}

// adjustment is what was written into the unit.
type adjustment struct {
	block       *protocol.Block // as written
	writeIntent *record.Ref
	written     []byte
	restart     string // after the block was written and before it was read back, as on record
	readBack    []byte
	state       string // of the constants, as last confirmed
}

// conclusion is what the attempt has come to.
type conclusion struct {
	code   Code // why the attempt ends; "" while nothing speaks against it
	detail Arg
	other  Arg
	result limits.Judgement
	box    string // that the unit goes into, "" for none
	body   *record.Attempt
	record record.Ref
}

// begin starts the account of an attempt.
func (m *Machine) begin(n *nest) {
	n.att = attempt{began: m.now, crew: m.crew, roster: m.cfg.Roster, tempCel: math.NaN(), field: field{place: place{shift: math.NaN()}}, measured: measured{quantities: quantity.Set{}}}
	if n.next != nil && n.files != n.next {
		n.files, n.stood = n.next, scene{}
		m.announce(n.index, NoticeFiles, Args{Nest: n.sheet.Name})
	}
	n.sheet = n.files.Sheet.Nests[n.index]
}

func (n *nest) putQuantities(s quantity.Set) {
	if n.att.quantities == nil {
		n.att.quantities = quantity.Set{}
	}
	maps.Copy(n.att.quantities, s)
}

func (n *nest) problem(at time.Time, c Code, chain string) {
	n.att.problems = append(n.att.problems, record.Problem{Code: string(c), Step: n.step.String(), Chain: chain, Time: at})
}

func addWire(a, b record.Wire) record.Wire {
	return record.Wire{Requests: a.Requests + b.Requests, Retries: a.Retries + b.Retries, BadPackets: a.BadPackets + b.BadPackets,
		Dropped: a.Dropped + b.Dropped, BytesOut: a.BytesOut + b.BytesOut, BytesIn: a.BytesIn + b.BytesIn}
}
