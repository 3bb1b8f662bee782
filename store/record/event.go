package record

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// DispositionChange moves a unit to another disposition after its verdict: a
// contradiction between labels, a released mark confirmed late, a decision.
type DispositionChange struct {
	Attempt *Ref        `cbor:"1,keyasint,omitempty"` // whose verdict is changed
	Serial  string      `cbor:"2,keyasint"`
	UnitID  string      `cbor:"3,keyasint"`
	From    Disposition `cbor:"4,keyasint"`
	To      Disposition `cbor:"5,keyasint"`
	Code    string      `cbor:"6,keyasint"`
	Why     string      `cbor:"7,keyasint"`
	By      string      `cbor:"8,keyasint"`           // person, or "station"
	Other   *Ref        `cbor:"9,keyasint,omitempty"` // the record it contradicts

	// Firm says that it was decided: only such a change moves the unit on, and no
	// verdict does.
	Firm     bool   `cbor:"10,keyasint,omitempty" since:"5"`
	Decision *Ref   `cbor:"11,keyasint,omitempty" since:"5"` // the decision that it carries out
	Document string `cbor:"12,keyasint,omitempty" since:"5"` // number of the concession that releases a unit which did not pass
}

func (*DispositionChange) Kind() Kind { return KindDispositionChange }
func (d *DispositionChange) Subject() Subject {
	return Subject{Serial: d.Serial, UnitID: d.UnitID}
}

func (d *DispositionChange) validate() error {
	if !slices.Contains(Dispositions(), d.To) {
		return fmt.Errorf("unknown disposition %q", d.To)
	}
	return nil
}

// Refusal is a unit or label that the station would not take.
type Refusal struct {
	Serial   string   `cbor:"1,keyasint"`
	Label    string   `cbor:"2,keyasint"`
	UnitID   string   `cbor:"3,keyasint"`
	Nest     string   `cbor:"4,keyasint"`
	Purpose  Purpose  `cbor:"5,keyasint"`
	Code     string   `cbor:"6,keyasint"`
	Chain    string   `cbor:"7,keyasint"`
	Operator string   `cbor:"8,keyasint"`
	Software string   `cbor:"9,keyasint"`
	Product  Revision `cbor:"10,keyasint"`
	Other    *Ref     `cbor:"11,keyasint,omitempty"` // the record that speaks against it
}

func (*Refusal) Kind() Kind { return KindRefusal }
func (r *Refusal) Subject() Subject {
	s := Subject{Serial: r.Serial, UnitID: r.UnitID}
	if s.Serial == "" {
		s.Serial = r.Label
	}
	return s
}
func (r *Refusal) validate() error { return nil }

// ReworkDone says that a unit was mended and may be tried again.
type ReworkDone struct {
	Attempt *Ref   `cbor:"1,keyasint,omitempty"` // the verdict that sent it to rework
	Serial  string `cbor:"2,keyasint"`
	UnitID  string `cbor:"3,keyasint"`
	Action  string `cbor:"4,keyasint"`
	By      string `cbor:"5,keyasint"`

	Decision *Ref `cbor:"6,keyasint,omitempty" since:"5"` // the decision that it carries out
}

func (*ReworkDone) Kind() Kind         { return KindReworkDone }
func (r *ReworkDone) Subject() Subject { return Subject{Serial: r.Serial, UnitID: r.UnitID} }
func (r *ReworkDone) validate() error  { return nil }

// ReleaseTaken says that a released file came into force. It carries the
// file's bytes, so that old revisions stay readable.
type ReleaseTaken struct {
	Document  string    `cbor:"1,keyasint"` // "limits", "product", "sheet" or "roster"
	Revision  Revision  `cbor:"2,keyasint"`
	Nest      string    `cbor:"3,keyasint"` // "" for the whole station
	Author    string    `cbor:"4,keyasint"`
	Approver  string    `cbor:"5,keyasint"`
	Reason    string    `cbor:"6,keyasint"`
	Effective time.Time `cbor:"7,keyasint"`
	Bytes     []byte    `cbor:"8,keyasint"` // canonical bytes, whose hash is Revision.Rev
}

func (*ReleaseTaken) Kind() Kind         { return KindReleaseTaken }
func (r *ReleaseTaken) Subject() Subject { return Subject{} }
func (r *ReleaseTaken) validate() error  { return nil }

// SignOn is a person signing on at the station, or off.
type SignOn struct {
	Person string `cbor:"1,keyasint"`
	Role   string `cbor:"2,keyasint"`
	Off    bool   `cbor:"3,keyasint"`
	Method string `cbor:"4,keyasint"` // how the person was known, such as "command line"

	Acknowledged []string `cbor:"5,keyasint,omitempty"`           // the cautions that the person confirmed to have read
	AllowedBy    string   `cbor:"6,keyasint,omitempty" since:"3"` // who allowed this one shift though the person's training has ended
}

func (*SignOn) Kind() Kind         { return KindSignOn }
func (s *SignOn) Subject() Subject { return Subject{} }
func (s *SignOn) validate() error  { return nil }

// ShiftSettings is what holds for the units that follow.
type ShiftSettings struct {
	Shift     string   `cbor:"1,keyasint"`
	WorkOrder string   `cbor:"2,keyasint"`
	Lot       string   `cbor:"3,keyasint"`
	Product   Revision `cbor:"4,keyasint"`
	Limits    Revision `cbor:"5,keyasint"`
	Sheet     Revision `cbor:"6,keyasint"`
	Operator  string   `cbor:"7,keyasint"`
	Software  string   `cbor:"8,keyasint"`
	Nests     []string `cbor:"9,keyasint"`
	Purpose   Purpose  `cbor:"10,keyasint"`

	Quantity   int    `cbor:"11,keyasint,omitempty"` // units of the work order, 0 for not known
	WindowLot  string `cbor:"12,keyasint,omitempty"`
	GasketLot  string `cbor:"13,keyasint,omitempty"`
	EmitterLot string `cbor:"14,keyasint,omitempty"`
}

func (*ShiftSettings) Kind() Kind         { return KindShiftSettings }
func (s *ShiftSettings) Subject() Subject { return Subject{Lot: s.Lot} }
func (s *ShiftSettings) validate() error  { return nil }

// Stop says that a nest or the station may not run.
type Stop struct {
	Nest    string `cbor:"1,keyasint"` // "" for the whole station
	Code    string `cbor:"2,keyasint"`
	Why     string `cbor:"3,keyasint"`
	LiftBy  string `cbor:"4,keyasint"`                     // role that may lift it
	Attempt *Ref   `cbor:"5,keyasint,omitempty"`           // what led to it
	Detail  string `cbor:"6,keyasint,omitempty" since:"3"` // what Why names
	Other   string `cbor:"7,keyasint,omitempty" since:"3"`
}

func (*Stop) Kind() Kind         { return KindStop }
func (s *Stop) Subject() Subject { return Subject{} }

func (s *Stop) validate() error {
	if s.Code == "" {
		return errors.New("a stop without a code")
	}
	return nil
}

// StopLifted says that a nest or the station may run again.
type StopLifted struct {
	Stop   Ref    `cbor:"1,keyasint"`
	Nest   string `cbor:"2,keyasint"`
	Code   string `cbor:"3,keyasint"`
	By     string `cbor:"4,keyasint"`
	Method string `cbor:"5,keyasint"` // "badge", "file", "log check" or "restart"
	Why    string `cbor:"6,keyasint"`
}

func (*StopLifted) Kind() Kind         { return KindStopLifted }
func (s *StopLifted) Subject() Subject { return Subject{} }
func (s *StopLifted) validate() error  { return nil }

// Study is the result of a study of the station's own measurement.
type Study struct {
	Name     string       `cbor:"1,keyasint"`
	Plan     string       `cbor:"2,keyasint"`
	Attempts []Ref        `cbor:"3,keyasint"`
	Results  []StudyValue `cbor:"4,keyasint"`
	Text     string       `cbor:"5,keyasint"`
	By       string       `cbor:"6,keyasint"`
	Passed   bool         `cbor:"7,keyasint"`
}

// StudyValue is one number that a study gives.
type StudyValue struct {
	Name string  `cbor:"1,keyasint"`
	Unit string  `cbor:"2,keyasint"` // UCUM code
	V    float64 `cbor:"3,keyasint"`
	U    float64 `cbor:"4,keyasint"`
}

func (*Study) Kind() Kind         { return KindStudy }
func (s *Study) Subject() Subject { return Subject{} }
func (s *Study) validate() error  { return nil }

// Note is what somebody wrote about a unit or a record.
type Note struct {
	About  *Ref   `cbor:"1,keyasint,omitempty"`
	Serial string `cbor:"2,keyasint"`
	UnitID string `cbor:"3,keyasint"`
	By     string `cbor:"4,keyasint"`
	Text   string `cbor:"5,keyasint"`
	Signed []byte `cbor:"6,keyasint,omitempty"` // the signed file it came in
}

func (*Note) Kind() Kind         { return KindNote }
func (n *Note) Subject() Subject { return Subject{Serial: n.Serial, UnitID: n.UnitID} }
func (n *Note) validate() error  { return nil }
