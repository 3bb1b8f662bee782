package estimate

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"

	"example.org/panecal/limits/quantity"
)

// Number is a float64 that JSON shows as null where it is no finite number.
type Number float64

// MarshalJSON writes the shortest number that reads back the same.
func (n Number) MarshalJSON() ([]byte, error) {
	v := float64(n)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return []byte("null"), nil
	}
	return json.Marshal(v)
}

// UnmarshalJSON reads null as NaN.
func (n *Number) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*n = Number(math.NaN())
		return nil
	}
	v, err := strconv.ParseFloat(string(b), 64)
	*n = Number(v)
	return err
}

// AnswerSchema is the schema of answers.
const AnswerSchema = "panecal.estimate/1"

// Answer is what the measurement model makes of a capture file. All keys are
// present; what was not computed is null.
type Answer struct {
	Schema        string                    `json:"schema"`
	Zones         []AnswerZone              `json:"zones"`
	Quantities    map[string]AnswerQuantity `json:"quantities"`
	Budget        []AnswerLine              `json:"budget"`
	Distance      AnswerDistance            `json:"distance"`
	CaptureFaults []AnswerFault             `json:"capture_faults"`
}

// AnswerZone is one zone: rates in counts per shot (ambient per bin too),
// distances in mm. offset_u_mm holds the counts, the change of leakage and
// the target's distance.
type AnswerZone struct {
	Leakage          Number   `json:"leakage"`
	LeakageU         Number   `json:"leakage_u"`
	LeakageDistance  Number   `json:"leakage_distance_mm"`
	LeakageDistanceU Number   `json:"leakage_distance_u_mm"`
	Ambient          Number   `json:"ambient"`
	AmbientU         Number   `json:"ambient_u"`
	AmbientTarget    Number   `json:"ambient_target"`
	Range            Number   `json:"range_mm"`
	RangeU           Number   `json:"range_u_mm"`
	Offset           Number   `json:"offset_mm"`
	OffsetU          Number   `json:"offset_u_mm"`
	Signal           Number   `json:"signal"`
	SignalU          Number   `json:"signal_u"`
	Change           Number   `json:"leakage_change"`
	ChangeU          Number   `json:"leakage_change_u"`
	Flags            []string `json:"flags"`
}

// AnswerQuantity is a quantity with its UCUM unit.
type AnswerQuantity struct {
	Value Number `json:"value"`
	U     Number `json:"u"`
	Unit  string `json:"unit"`
}

// AnswerLine is a line of the budget of offset.mean.
type AnswerLine struct {
	Line string `json:"line"`
	MM   Number `json:"mm"`
}

// AnswerDistance says whether a wrong target distance is told apart from an
// offset, and how.
type AnswerDistance struct {
	How   string `json:"how"`
	MM    Number `json:"mm"`
	U     Number `json:"u_mm"`
	Doubt bool   `json:"doubt"`
}

// AnswerFault is a capture fault.
type AnswerFault struct {
	Code    FaultCode `json:"code"`
	Capture string    `json:"capture"`
	Zones   []int     `json:"zones"`
}

// Run computes the measurement model from a capture file.
func Run(f CaptureFile) (Answer, error) {
	e, err := New(f.Setup)
	if err != nil {
		return Answer{}, fmt.Errorf("estimating: %w", err)
	}
	var l *Leakage
	var o *Offsets
	if f.Kind == "summary" {
		l, err = e.EmptySummary(*f.EmptySummary)
		if err == nil && f.HasTarget {
			o, err = e.TargetSummary(l, *f.TargetSummary, f.Reference)
		}
	} else {
		l, err = e.Empty(*f.Empty)
		if err == nil && f.HasTarget {
			o, err = e.Target(l, *f.Target, f.Reference, nil)
		}
	}
	if err != nil {
		return Answer{}, fmt.Errorf("estimating: %w", err)
	}
	return e.answer(l, o), nil
}

func (e *Estimator) answer(l *Leakage, o *Offsets) Answer {
	nan := Number(math.NaN())
	a := Answer{
		Schema: AnswerSchema, Zones: make([]AnswerZone, e.zones), Quantities: map[string]AnswerQuantity{},
		Budget: []AnswerLine{}, Distance: AnswerDistance{How: NotApart, MM: nan, U: nan}, CaptureFaults: []AnswerFault{},
	}
	for _, d := range quantity.All() {
		a.Quantities[string(d.Name)] = AnswerQuantity{nan, nan, d.Unit}
	}
	put := func(set quantity.Set, faults []Fault) {
		for n, m := range set {
			d, _ := quantity.Lookup(n)
			a.Quantities[string(n)] = AnswerQuantity{Number(m.V), Number(m.U), d.Unit}
		}
		for _, f := range faults {
			z := f.Zones
			if z == nil {
				z = []int{}
			}
			a.CaptureFaults = append(a.CaptureFaults, AnswerFault{f.Code, f.Capture, z})
		}
	}
	put(l.Quantities, l.Faults)
	if o != nil {
		put(o.Quantities, o.Faults)
		for _, b := range o.Budget {
			a.Budget = append(a.Budget, AnswerLine{b.Line, Number(b.MM)})
		}
		a.Distance = AnswerDistance{o.Apart.How, Number(o.Apart.MM), Number(o.Apart.U), o.Apart.Doubt}
	}
	for z := range a.Zones {
		s := l.Zones[z]
		out := AnswerZone{
			Leakage: Number(s.Leakage), LeakageU: Number(s.LeakageU),
			LeakageDistance: Number(s.DistanceMM), LeakageDistanceU: Number(s.DistanceUMM),
			Ambient: Number(s.Ambient), AmbientU: Number(s.AmbientU),
			AmbientTarget: nan, Range: nan, RangeU: nan, Offset: nan, OffsetU: nan, Signal: nan, SignalU: nan,
			Change: nan, ChangeU: nan, Flags: s.Flags.Names(),
		}
		if o != nil {
			t := o.Zones[z]
			out.AmbientTarget = Number(t.Ambient)
			out.Range, out.RangeU, out.Offset = Number(t.RangeMM), Number(t.RangeUMM), Number(t.OffsetMM)
			out.OffsetU = Number(math.Hypot(t.RangeUMM, o.Reference.DistanceUMM*e.setup.Grid.sec(z)))
			out.Signal, out.SignalU = Number(t.Signal), Number(t.SignalU)
			out.Change, out.ChangeU = Number(t.Change), Number(t.ChangeU)
			out.Flags = t.Flags.Names()
		}
		a.Zones[z] = out
	}
	return a
}

// WriteAnswer writes the answer as one line of JSON.
func WriteAnswer(w io.Writer, a Answer) error {
	if err := json.NewEncoder(w).Encode(a); err != nil {
		return fmt.Errorf("writing the answer: %w", err)
	}
	return nil
}
