package capture

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/estimate"
)

// number is a float64 that JSON shows as null where it is no finite number.
type number float64

// MarshalJSON writes the shortest number that reads back the same.
func (n number) MarshalJSON() ([]byte, error) {
	v := float64(n)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return []byte("null"), nil
	}
	return json.Marshal(v)
}

// UnmarshalJSON reads null as NaN.
func (n *number) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*n = number(math.NaN())
		return nil
	}
	v, err := strconv.ParseFloat(string(b), 64)
	*n = number(v)
	return err
}

const answerSchema = "panecal.estimate/1"

// Answer is what the measurement model makes of a capture file. All keys are
// present; what was not computed is null.
type Answer struct {
	Schema        string                    `json:"schema"`
	Zones         []answerZone              `json:"zones"`
	Quantities    map[string]answerQuantity `json:"quantities"`
	Budget        []answerLine              `json:"budget"`
	Distance      answerDistance            `json:"distance"`
	CaptureFaults []answerFault             `json:"capture_faults"`
}

// answerZone is one zone: rates in counts per shot (ambient per bin too),
// distances in mm. offset_u_mm holds the counts, the change of leakage and
// the target's distance.
type answerZone struct {
	Leakage          number         `json:"leakage"`
	LeakageU         number         `json:"leakage_u"`
	LeakageDistance  number         `json:"leakage_distance_mm"`
	LeakageDistanceU number         `json:"leakage_distance_u_mm"`
	Ambient          number         `json:"ambient"`
	AmbientU         number         `json:"ambient_u"`
	AmbientTarget    number         `json:"ambient_target"`
	Range            number         `json:"range_mm"`
	RangeU           number         `json:"range_u_mm"`
	Offset           number         `json:"offset_mm"`
	OffsetU          number         `json:"offset_u_mm"`
	Signal           number         `json:"signal"`
	SignalU          number         `json:"signal_u"`
	Change           number         `json:"leakage_change"`
	ChangeU          number         `json:"leakage_change_u"`
	Returns          []answerReturn `json:"returns"`
	Flags            []string       `json:"flags"`
}

// answerReturn is one return of a zone, the nearer first.
type answerReturn struct {
	Range  number `json:"range_mm"`
	Signal number `json:"signal"`
}

// answerQuantity is a quantity with its UCUM unit.
type answerQuantity struct {
	Value number `json:"value"`
	U     number `json:"u"`
	// The part of u that all units of a nest or a product have alike.
	Common number `json:"u_common"`
	Unit   string `json:"unit"`
}

// answerLine is a line of the budget of offset.mean.
type answerLine struct {
	Line string `json:"line"`
	MM   number `json:"mm"`
}

// answerDistance says whether a wrong target distance is told apart from an
// offset, and how.
type answerDistance struct {
	How   string `json:"how"`
	MM    number `json:"mm"`
	U     number `json:"u_mm"`
	Doubt bool   `json:"doubt"`
}

// answerFault is a capture fault.
type answerFault struct {
	Code    estimate.FaultCode `json:"code"`
	Capture string             `json:"capture"`
	Zones   []int              `json:"zones"`
}

// Estimate computes the measurement model from a capture file.
func Estimate(f File) (Answer, error) {
	e, err := estimate.New(f.Setup)
	if err != nil {
		return Answer{}, fmt.Errorf("estimating: %w", err)
	}
	var l *estimate.Leakage
	var o *estimate.Offsets
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
	return answerOf(f.Setup.Grid, l, o), nil
}

// answerOf puts results in the answer's shape; o is nil without a target.
func answerOf(g estimate.Grid, l *estimate.Leakage, o *estimate.Offsets) Answer {
	nan := number(math.NaN())
	a := Answer{
		Schema: answerSchema, Zones: make([]answerZone, len(l.Zones)), Quantities: map[string]answerQuantity{},
		Budget: []answerLine{}, Distance: answerDistance{How: estimate.NotApart, MM: nan, U: nan}, CaptureFaults: []answerFault{},
	}
	for _, d := range quantity.All() {
		a.Quantities[string(d.Name)] = answerQuantity{nan, nan, nan, d.Unit}
	}
	put := func(set quantity.Set, faults []estimate.Fault) {
		for n, m := range set {
			d, _ := quantity.Lookup(n)
			a.Quantities[string(n)] = answerQuantity{number(m.V), number(m.U), number(m.Common), d.Unit}
		}
		for _, f := range faults {
			z := f.Zones
			if z == nil {
				z = []int{}
			}
			a.CaptureFaults = append(a.CaptureFaults, answerFault{f.Code, f.Capture, z})
		}
	}
	put(l.Quantities, l.Faults)
	if o != nil {
		put(o.Quantities, o.Faults)
		for _, b := range o.Budget {
			a.Budget = append(a.Budget, answerLine{b.Line, number(b.MM)})
		}
		a.Distance = answerDistance{o.Apart.How, number(o.Apart.MM), number(o.Apart.U), o.Apart.Doubt}
	}
	for z := range a.Zones {
		s := l.Zones[z]
		out := answerZone{
			Leakage: number(s.Leakage), LeakageU: number(s.LeakageU),
			LeakageDistance: number(s.DistanceMM), LeakageDistanceU: number(s.DistanceUMM),
			Ambient: number(s.Ambient), AmbientU: number(s.AmbientU),
			AmbientTarget: nan, Range: nan, RangeU: nan, Offset: nan, OffsetU: nan, Signal: nan, SignalU: nan,
			Change: nan, ChangeU: nan, Returns: []answerReturn{}, Flags: s.Flags.Names(),
		}
		if o != nil {
			t := o.Zones[z]
			out.AmbientTarget = number(t.Ambient)
			out.Range, out.RangeU, out.Offset = number(t.RangeMM), number(t.RangeUMM), number(t.OffsetMM)
			out.OffsetU = number(math.Hypot(t.RangeUMM, o.Reference.DistanceUMM*math.Sqrt(1+g.Ux[z]*g.Ux[z]+g.Uy[z]*g.Uy[z])))
			out.Signal, out.SignalU = number(t.Signal), number(t.SignalU)
			out.Change, out.ChangeU = number(t.Change), number(t.ChangeU)
			out.Flags = t.Flags.Names()
			for _, r := range t.Returns {
				out.Returns = append(out.Returns, answerReturn{number(r.RangeMM), number(r.Signal)})
			}
			if t.Returns == nil && !math.IsNaN(t.RangeMM) {
				out.Returns = append(out.Returns, answerReturn{number(t.RangeMM), number(t.Signal)})
			}
		}
		a.Zones[z] = out
	}
	return a
}

// Write writes the answer as one line of JSON.
func (a Answer) Write(w io.Writer) error {
	if err := json.NewEncoder(w).Encode(a); err != nil {
		return fmt.Errorf("writing the answer: %w", err)
	}
	return nil
}
