package station

import (
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/store/record"
)

// VerdictSchema names the form of a [Verdict] as a JSON line.
const VerdictSchema = "panecal.verdict/1"

// Outcome is how an attempt ended.
type Outcome = record.Outcome

// The outcomes.
const (
	Passed  = record.Passed
	Failed  = record.Failed  // the unit's fault
	Errored = record.Error   // the capture's, the line's or the station's fault: says nothing about the unit
	Aborted = record.Aborted // ended by a person or by shutdown
)

// Disposition is what happens with the unit.
type Disposition = record.Disposition

// The dispositions.
const (
	Release = record.Release
	Rework  = record.Rework
	Hold    = record.Hold
	Scrap   = record.Scrap
)

// Verdict is what a person, or a script, is told about one unit. It exists
// only for what is durably on record: Station, Generation and Sequence name
// that record. Its JSON form is stable.
type Verdict struct {
	Schema      string      `json:"schema"` // VerdictSchema
	Serial      string      `json:"serial"`
	Outcome     Outcome     `json:"outcome"`
	SoftBin     int         `json:"soft_bin"`
	SoftName    string      `json:"soft_bin_name"`
	HardBin     int         `json:"hard_bin"`
	Disposition Disposition `json:"disposition"`
	Sequence    uint64      `json:"sequence"`
	Generation  uint32      `json:"generation"`
	Station     string      `json:"station"`
	Nest        string      `json:"nest"`
	Purpose     Purpose     `json:"purpose"`
	Attempt     int         `json:"attempt"`         // 1 for the first judged attempt of this serial
	Code        Code        `json:"code"`            // see Codes
	Detail      string      `json:"detail"`          // the quantity out of limits, or what else the code's sentence names
	Other       string      `json:"other,omitempty"` // where the other unit of a contradiction was seen
	Instruction string      `json:"instruction"`     // one sentence
	// Args are what the code's sentence names, and Instructions the
	// instruction in the languages of the limits file; without one it is the
	// code's action.
	Args         Args        `json:"-"`
	Instructions limits.Text `json:"-"`
	UnitID       string      `json:"unit_id"`
	Signed       bool        `json:"signed"`   // limits, product and station sheet were signed
	At           time.Time   `json:"time"`     // when the record was made, UTC
	Again        bool        `json:"again"`    // shown again: the unit was not measured anew
	Marked       bool        `json:"released"` // the released mark was read back from the unit
}

// Released reports whether the unit may go on down the line.
func (v Verdict) Released() bool { return v.Outcome == Passed && v.Disposition == Release }
