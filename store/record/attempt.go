package record

import (
	"fmt"
	"slices"
	"time"

	"example.org/panecal/limits/quantity"
)

// Outcome says how an attempt ended.
type Outcome string

// The outcomes (IEEE 1636.1).
const (
	Passed  Outcome = "passed"
	Failed  Outcome = "failed"
	Error   Outcome = "error"   // no verdict: the capture, the line or the station
	Aborted Outcome = "aborted" // no verdict: ended by people or by the program's end
)

// Outcomes returns all outcomes in the order of their numbers in a row.
func Outcomes() []Outcome { return []Outcome{Passed, Failed, Error, Aborted} }

// Disposition says what becomes of the unit.
type Disposition string

// The dispositions.
const (
	Release Disposition = "release"
	Rework  Disposition = "rework"
	Hold    Disposition = "hold"
	Scrap   Disposition = "scrap"
)

// Dispositions returns all dispositions.
func Dispositions() []Disposition { return []Disposition{Release, Rework, Hold, Scrap} }

// Attempt is the result of one attempt, with or without a verdict.
type Attempt struct {
	Run         Run          `cbor:"1,keyasint"`
	Intent      *Ref         `cbor:"2,keyasint,omitempty"` // absent where none was reached
	WriteIntent *Ref         `cbor:"3,keyasint,omitempty"` // absent where nothing was written
	Outcome     Outcome      `cbor:"4,keyasint"`
	Problems    []Problem    `cbor:"5,keyasint"` // in the order they were met
	Judgement   Judgement    `cbor:"6,keyasint"`
	Quantities  []Quantity   `cbor:"7,keyasint"` // in column order
	Zones       Zones        `cbor:"8,keyasint"`
	Budget      []Budget     `cbor:"9,keyasint"` // of the offset
	Faults      []Fault      `cbor:"10,keyasint"`
	Constants   *Constants   `cbor:"11,keyasint,omitempty"` // absent where nothing was written
	Captures    []CaptureRef `cbor:"12,keyasint"`
	Wire        Wire         `cbor:"13,keyasint"`
	Started     time.Time    `cbor:"14,keyasint"`
	Finished    time.Time    `cbor:"15,keyasint"`
	Stages      []Stage      `cbor:"16,keyasint"`
	UnitTempCel float64      `cbor:"17,keyasint"` // NaN: not known
	Projection  *Projection  `cbor:"18,keyasint,omitempty"`
	// AddedBack is the constants block that was in force during the captures
	// because the unit cannot switch compensation off; its effect was undone
	// before estimation. Empty: compensation was off.
	AddedBack []byte `cbor:"19,keyasint,omitempty"`
	// Box is the number of the box that the unit was given to when it was released;
	// "" where boxes have no numbers, or see [Boxed].
	Box string `cbor:"20,keyasint,omitempty" since:"5"`
	// Void says what the unit was found to hold once its constants were void, before
	// it was measured: [VoidBears] or [VoidBare], "" where nothing was voided.
	Void Void `cbor:"21,keyasint,omitempty" since:"6"`

	WarmUp *WarmUp `cbor:"22,keyasint,omitempty" since:"6"` // before the captures, nil where none was asked for
}

// Void is what the void form in a unit bears while it is measured.
type Void string

// What it may be.
const (
	VoidBears Void = "intent" // the witness of the attempt's intent
	VoidBare  Void = "bare"   // none: the unit was made before a void could bear one
)

func (*Attempt) Kind() Kind         { return KindAttempt }
func (a *Attempt) Subject() Subject { return a.Run.Subject() }

func (a *Attempt) validate() error {
	if err := a.Run.validate(); err != nil {
		return err
	}
	if !slices.Contains(Outcomes(), a.Outcome) {
		return fmt.Errorf("unknown outcome %q", a.Outcome)
	}
	if d := a.Judgement.Disposition; d != "" && !slices.Contains(Dispositions(), d) {
		return fmt.Errorf("unknown disposition %q", d)
	}
	if a.Void != "" && a.Void != VoidBears && a.Void != VoidBare {
		return fmt.Errorf("unknown void %q", a.Void)
	}
	for _, q := range a.Quantities {
		if err := q.validate(); err != nil {
			return err
		}
	}
	if a.Constants != nil {
		return a.Constants.validate(a.WriteIntent)
	}
	return nil
}

// Problem is one thing that went wrong, with the whole chain of errors.
type Problem struct {
	Code  string    `cbor:"1,keyasint"` // of the station's table of codes
	Step  string    `cbor:"2,keyasint"`
	Chain string    `cbor:"3,keyasint"`
	Time  time.Time `cbor:"4,keyasint"`
}

// Judgement is the verdict with what it was made of.
type Judgement struct {
	Passed      bool        `cbor:"1,keyasint"`
	SoftBin     int         `cbor:"2,keyasint"`
	SoftName    string      `cbor:"3,keyasint"`
	Code        string      `cbor:"4,keyasint"`
	HardBin     int         `cbor:"5,keyasint"`
	Disposition Disposition `cbor:"6,keyasint"`
	Instruction string      `cbor:"7,keyasint"`
	Lines       []Line      `cbor:"8,keyasint"`
}

// Line is the judgement of one quantity. A limit that is not set is NaN.
type Line struct {
	Name        quantity.Name `cbor:"1,keyasint"`
	Unit        string        `cbor:"2,keyasint"` // UCUM code
	V           float64       `cbor:"3,keyasint"`
	U           float64       `cbor:"4,keyasint"`
	Lower       float64       `cbor:"5,keyasint"` // specification limit
	Upper       float64       `cbor:"6,keyasint"`
	K           float64       `cbor:"7,keyasint"` // guard factor
	Passed      bool          `cbor:"8,keyasint"`
	PConforming float64       `cbor:"9,keyasint"` // JCGM 106, NaN: not computed
	SoftBin     int           `cbor:"10,keyasint"`
}

// Zones holds what was found in each zone, row-major; an array is empty where
// the unit or the attempt did not give it, else Rows·Cols long.
type Zones struct {
	Rows              int        `cbor:"1,keyasint"`
	Cols              int        `cbor:"2,keyasint"`
	Leakage           []float64  `cbor:"3,keyasint"` // {count}/{shot}
	LeakageU          []float64  `cbor:"4,keyasint"`
	RangeMM           []float64  `cbor:"5,keyasint"` // radial, of the station's estimator
	RangeUMM          []float64  `cbor:"6,keyasint"`
	OffsetMM          []float64  `cbor:"7,keyasint"`
	OffsetUMM         []float64  `cbor:"8,keyasint"`
	Signal            []float64  `cbor:"9,keyasint"` // {count}/{shot}
	SignalU           []float64  `cbor:"10,keyasint"`
	Ambient           []float64  `cbor:"11,keyasint"` // {count}/{shot} a bin, empty field
	AmbientU          []float64  `cbor:"12,keyasint"`
	AmbientTarget     []float64  `cbor:"13,keyasint"`
	LeakageDistanceMM []float64  `cbor:"14,keyasint"`
	UnitRangeMM       []float64  `cbor:"15,keyasint"` // as the unit itself reports
	VerifyMM          []float64  `cbor:"16,keyasint"` // error after writing
	Flags             [][]string `cbor:"17,keyasint"` // dead, hot, saturated, no_signal
}

// Budget is one named line of the offset's uncertainty budget.
type Budget struct {
	Line string  `cbor:"1,keyasint"`
	MM   float64 `cbor:"2,keyasint"`
}

// Fault is a reason to distrust a capture.
type Fault struct {
	Code    string `cbor:"1,keyasint"`
	Capture string `cbor:"2,keyasint"` // "empty", "target" or "verify"
	Zones   []int  `cbor:"3,keyasint"`
}

// Wire counts what happened on the line during the attempt.
type Wire struct {
	Requests   uint64 `cbor:"1,keyasint"`
	Retries    uint64 `cbor:"2,keyasint"`
	BadPackets uint64 `cbor:"3,keyasint"`
	Dropped    uint64 `cbor:"4,keyasint"` // late, repeated or foreign answers
	BytesOut   uint64 `cbor:"5,keyasint"`
	BytesIn    uint64 `cbor:"6,keyasint"`
}

// Stage is one step of the attempt and how long it took.
type Stage struct {
	Name   string `cbor:"1,keyasint"`
	TookUS int64  `cbor:"2,keyasint"` // monotonic, microsecond
}

// Projection is the range error that a stated change of leakage would cause.
type Projection struct {
	Change     float64   `cbor:"1,keyasint"` // 0.5 is half as much again
	DistanceMM []float64 `cbor:"2,keyasint"`
	ErrorMM    []float64 `cbor:"3,keyasint"`
}

// WarmUp is how the unit's temperature settled before its captures.
type WarmUp struct {
	CelPerMin float64 `cbor:"1,keyasint"` // last slope, NaN where only one look was had
	Seconds   float64 `cbor:"2,keyasint"` // waited
	Settled   bool    `cbor:"3,keyasint"` // in the product's time
}
