package record

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
)

// Purpose says what a run was for.
type Purpose string

// The purposes.
const (
	Production  Purpose = "production"  // judged, written, counted
	Audit       Purpose = "audit"       // measured and judged, nothing written
	CheckUnit   Purpose = "check"       // a check unit on the station
	InStudy     Purpose = "study"       // part of a study: nothing written, not in yield
	Engineering Purpose = "engineering" // an engineer's trial, the unit ends on hold
)

// Decides reports whether the verdict of such a run says what becomes of the
// unit. A check unit's or an audit's result decides nothing; what it puts aside has
// a change of disposition of its own.
func (p Purpose) Decides() bool { return p == Production || p == Engineering }

// MayBeIn says whether a record of these bytes may be of a run for that purpose. No
// other is; one that names it elsewhere may be taken for one.
func (p Purpose) MayBeIn(data []byte) bool {
	const runPurpose, text = 7, 0x60 // key of the field in a Run; a short text in CBOR
	return bytes.Contains(data, append([]byte{runPurpose, text | byte(len(p))}, p...))
}

// Purposes returns all purposes in the order of their numbers in a row.
func Purposes() []Purpose {
	return []Purpose{Production, Audit, CheckUnit, InStudy, Engineering}
}

// Revision names a released file that was in force.
type Revision struct {
	Name   string `cbor:"1,keyasint"` // what the file is called, such as the product
	Rev    string `cbor:"2,keyasint"` // SHA-256 of its canonical bytes, hexadecimal
	Signed bool   `cbor:"3,keyasint"` // released with valid signatures
}

// Run is what is settled when an attempt begins. The intent and the result
// both carry it, so that each can be read alone.
type Run struct {
	Serial         string   `cbor:"1,keyasint"`
	Label          string   `cbor:"2,keyasint"` // as scanned
	LabelConfirmed bool     `cbor:"3,keyasint"` // the unit or a list confirms the label
	LabelTie       string   `cbor:"4,keyasint"` // "unit", "list" or "first"
	UnitID         string   `cbor:"5,keyasint"` // identity that the unit answers
	Nest           string   `cbor:"6,keyasint"`
	Purpose        Purpose  `cbor:"7,keyasint"`
	AttemptNo      int      `cbor:"8,keyasint"` // 1 is the first attempt
	Product        Revision `cbor:"9,keyasint"`
	Limits         Revision `cbor:"10,keyasint"`
	Sheet          Revision `cbor:"11,keyasint"`
	Operator       string   `cbor:"12,keyasint"`
	Software       string   `cbor:"13,keyasint"`
	WorkOrder      string   `cbor:"14,keyasint"`
	Lot            string   `cbor:"15,keyasint"`
	Bridge         string   `cbor:"16,keyasint"` // program between us and the unit, "" for none
	Identity       Identity `cbor:"17,keyasint"`
	Target         Target   `cbor:"18,keyasint"`
	Roster         Revision `cbor:"19,keyasint"`
	WindowLot      string   `cbor:"20,keyasint,omitempty"` // lots of the parts, "" for not known
	GasketLot      string   `cbor:"21,keyasint,omitempty"`
	EmitterLot     string   `cbor:"22,keyasint,omitempty"`
}

// Subject returns the unit and its lot.
func (r *Run) Subject() Subject {
	s := Subject{Serial: r.Serial, UnitID: r.UnitID, Lot: r.Lot}
	if s.Serial == "" {
		s.Serial = r.Label
	}
	return s
}

func (r *Run) validate() error {
	if !slices.Contains(Purposes(), r.Purpose) {
		return fmt.Errorf("unknown purpose %q", r.Purpose)
	}
	if r.AttemptNo < 0 {
		return fmt.Errorf("attempt number %d", r.AttemptNo)
	}
	return nil
}

// Identity is what the unit answered to "who are you".
type Identity struct {
	Session       uint32 `cbor:"1,keyasint"`
	UnitID        string `cbor:"2,keyasint"`
	Serial        string `cbor:"3,keyasint"`
	Product       string `cbor:"4,keyasint"`
	Firmware      string `cbor:"5,keyasint"`
	ProtocolLow   int    `cbor:"6,keyasint"`
	ProtocolHigh  int    `cbor:"7,keyasint"`
	Rows          int    `cbor:"8,keyasint"`
	Cols          int    `cbor:"9,keyasint"`
	Bins          int    `cbor:"10,keyasint"`
	BinPS         int64  `cbor:"11,keyasint"`
	FirstBinPS    int64  `cbor:"12,keyasint"`
	PileUp        string `cbor:"13,keyasint"` // "none" or "first-photon"
	PulseRepeatNS int64  `cbor:"14,keyasint"`
	CountBits     int    `cbor:"15,keyasint"`
	LargestIn     int    `cbor:"16,keyasint"` // byte
	LargestOut    int    `cbor:"17,keyasint"` // byte
	Held          int    `cbor:"18,keyasint"` // requests
	LongestCommit int    `cbor:"19,keyasint"` // ms
}

// Target is what the station sheet says about the nest's reference.
type Target struct {
	Fixture     string  `cbor:"1,keyasint"`
	DistanceMM  float64 `cbor:"2,keyasint"`
	DistanceUMM float64 `cbor:"3,keyasint"`
	Reflectance float64 `cbor:"4,keyasint"` // 1
	Certificate string  `cbor:"5,keyasint"`
	Due         string  `cbor:"6,keyasint"` // date, YYYY-MM-DD
	EndStop     bool    `cbor:"7,keyasint"` // the fixture confirms the position

	Driver string  `cbor:"8,keyasint,omitempty" since:"6"`  // of a fixture that moves the target, "" for hands
	FarMM  float64 `cbor:"9,keyasint,omitempty" since:"6"`  // second distance, 0 for none
	FarUMM float64 `cbor:"10,keyasint,omitempty" since:"6"` // its standard uncertainty
}

// AttemptIntent is durable before anything is done to a unit.
type AttemptIntent struct {
	Run        Run    `cbor:"1,keyasint"`
	BlockFound []byte `cbor:"2,keyasint"`           // constants block found in the unit, empty for none
	Seed       uint64 `cbor:"3,keyasint,omitempty"` // of random choices, where a run has any

	Gate *Gate `cbor:"4,keyasint,omitempty" since:"6"` // nil where none was asked
}

// Gate is what the gate of the line said of a unit before its attempt.
type Gate struct {
	Request string `cbor:"1,keyasint"` // "" where nobody answered
	Answer  string `cbor:"2,keyasint"` // "may start", or "silent": the site lets it start all the same
	Why     string `cbor:"3,keyasint"` // of the silence
}

func (*AttemptIntent) Kind() Kind         { return KindAttemptIntent }
func (a *AttemptIntent) Subject() Subject { return a.Run.Subject() }
func (a *AttemptIntent) validate() error  { return a.Run.validate() }

// WriteIntent is durable before constants are staged in the unit. The block
// written bears the witness of this record: station, generation, sequence and
// the first 16 bytes of its hash.
type WriteIntent struct {
	Attempt  Ref    `cbor:"1,keyasint"` // its attempt intent
	Serial   string `cbor:"2,keyasint"`
	UnitID   string `cbor:"3,keyasint"`
	Body     []byte `cbor:"4,keyasint"` // the block's body: all but witness, state and check
	BodyHash Hash   `cbor:"5,keyasint"` // SHA-256 of Body
}

func (*WriteIntent) Kind() Kind { return KindWriteIntent }
func (w *WriteIntent) Subject() Subject {
	return Subject{Serial: w.Serial, UnitID: w.UnitID}
}

func (w *WriteIntent) validate() error {
	if w.BodyHash != HashOf(w.Body) {
		return errors.New("the block's hash is not the hash of its body")
	}
	return nil
}
