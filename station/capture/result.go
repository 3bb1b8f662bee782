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

const resultSchema = "panecal.estimate/1"

// Result is what the measurement model makes of a capture file. All keys are
// present; what was not computed is null.
type Result struct {
	Schema        string                    `json:"schema"`
	Zones         []resultZone              `json:"zones"`
	Quantities    map[string]resultQuantity `json:"quantities"`
	Budget        []resultLine              `json:"budget"`
	Distance      resultDistance            `json:"distance"`
	CaptureFaults []resultFault             `json:"capture_faults"`
}

// resultZone is one zone: rates in counts per shot (ambient per bin too),
// distances in mm. offset_u_mm holds the counts, the change of leakage and
// the target's distance; with a setup object, every line of the budget.
type resultZone struct {
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
	Returns          []resultReturn `json:"returns"`
	Flags            []string       `json:"flags"`
}

// resultReturn is one return of a zone, the nearer first.
type resultReturn struct {
	Range  number `json:"range_mm"`
	Signal number `json:"signal"`
}

// resultQuantity is a quantity with its UCUM unit.
type resultQuantity struct {
	Value number `json:"value"`
	U     number `json:"u"`
	// The part of u that all units of a nest or a product have alike.
	Common number `json:"u_common"`
	Unit   string `json:"unit"`
}

// resultLine is a line of the budget of offset.mean.
type resultLine struct {
	Line string `json:"line"`
	MM   number `json:"mm"`
}

// resultDistance says whether a wrong target distance is told apart from an
// offset, and how.
type resultDistance struct {
	How   string `json:"how"`
	MM    number `json:"mm"`
	U     number `json:"u_mm"`
	Doubt bool   `json:"doubt"`
}

// resultFault is a capture fault.
type resultFault struct {
	Code    estimate.FaultCode `json:"code"`
	Capture string             `json:"capture"`
	Zones   []int              `json:"zones"`
}

// Computed is what the measurement model makes of a capture file, as the
// estimator gives it. Offsets is nil without a target, Verification without the
// ranges of a unit with its constants on.
type Computed struct {
	Estimator    *estimate.Estimator
	Leakage      *estimate.Leakage
	Offsets      *estimate.Offsets
	Verification *estimate.Verification
}

// Compute computes the measurement model from a capture file.
func Compute(f File) (Computed, error) {
	e, err := estimate.New(f.Setup)
	if err != nil {
		return Computed{}, fmt.Errorf("estimating: %w", err)
	}
	c := Computed{Estimator: e}
	if f.Kind == "summary" {
		c.Leakage, err = e.EmptySummary(*f.EmptySummary)
		if err == nil && f.HasTarget {
			c.Offsets, err = e.TargetSummary(c.Leakage, *f.TargetSummary, f.Reference)
		}
	} else {
		c.Leakage, err = e.Empty(*f.Empty)
		if err == nil && f.HasTarget {
			c.Offsets, err = e.Target(c.Leakage, *f.Target, f.Reference, f.UnitRanges)
		}
	}
	if err == nil && c.Offsets != nil && f.Verify != nil {
		c.Verification, err = e.Verify(e.Constants(c.Leakage, c.Offsets), nil, f.Verify, f.Reference, c.Offsets)
	}
	if err != nil {
		return Computed{}, fmt.Errorf("estimating: %w", err)
	}
	return c, nil
}

// Estimate is Compute, in the form of a result.
func Estimate(f File) (Result, error) {
	c, err := Compute(f)
	if err != nil {
		return Result{}, err
	}
	return resultOf(f, c), nil
}

// resultOf puts what was computed into the result.
func resultOf(f File, c Computed) Result {
	g, l, o := f.Setup.Grid, c.Leakage, c.Offsets
	nan := number(math.NaN())
	all := Result{
		Schema: resultSchema, Zones: make([]resultZone, len(l.Zones)), Quantities: map[string]resultQuantity{},
		Budget: []resultLine{}, Distance: resultDistance{How: estimate.NotApart, MM: nan, U: nan}, CaptureFaults: []resultFault{},
	}
	for _, d := range quantity.All() {
		all.Quantities[string(d.Name)] = resultQuantity{nan, nan, nan, d.Unit}
	}
	put := func(set quantity.Set, faults []estimate.Fault) {
		for n, m := range set {
			d, _ := quantity.Lookup(n)
			all.Quantities[string(n)] = resultQuantity{number(m.V), number(m.U), number(m.Common), d.Unit}
		}
		for _, f := range faults {
			z := f.Zones
			if z == nil {
				z = []int{}
			}
			all.CaptureFaults = append(all.CaptureFaults, resultFault{f.Code, f.Capture, z})
		}
	}
	put(l.Quantities, l.Faults)
	if o != nil {
		put(o.Quantities, o.Faults)
		for _, b := range o.Budget {
			all.Budget = append(all.Budget, resultLine{b.Line, number(b.MM)})
		}
		if c.Verification != nil {
			put(c.Verification.Quantities, c.Verification.Faults)
		}
		all.Distance = resultDistance{o.Apart.How, number(o.Apart.MM), number(o.Apart.U), o.Apart.Doubt}
	}
	for z := range all.Zones {
		s := l.Zones[z]
		out := resultZone{
			Leakage: number(s.Leakage), LeakageU: number(s.LeakageU),
			LeakageDistance: number(s.DistanceMM), LeakageDistanceU: number(s.DistanceUMM),
			Ambient: number(s.Ambient), AmbientU: number(s.AmbientU),
			AmbientTarget: nan, Range: nan, RangeU: nan, Offset: nan, OffsetU: nan, Signal: nan, SignalU: nan,
			Change: nan, ChangeU: nan, Returns: []resultReturn{}, Flags: s.Flags.Names(),
		}
		if o != nil {
			t := o.Zones[z]
			out.AmbientTarget = number(t.Ambient)
			out.Range, out.RangeU, out.Offset = number(t.RangeMM), number(t.RangeUMM), number(t.OffsetMM)
			out.OffsetU = number(math.Hypot(t.RangeUMM, o.Reference.DistanceUMM*math.Sqrt(1+g.Ux[z]*g.Ux[z]+g.Uy[z]*g.Uy[z])))
			if f.Complete { // then every line of the budget is known
				out.OffsetU = number(t.OffsetUMM)
			}
			out.Signal, out.SignalU = number(t.Signal), number(t.SignalU)
			out.Change, out.ChangeU = number(t.Change), number(t.ChangeU)
			out.Flags = t.Flags.Names()
			for _, r := range t.Returns {
				out.Returns = append(out.Returns, resultReturn{number(r.RangeMM), number(r.Signal)})
			}
			if t.Returns == nil && !math.IsNaN(t.RangeMM) {
				out.Returns = append(out.Returns, resultReturn{number(t.RangeMM), number(t.Signal)})
			}
		}
		all.Zones[z] = out
	}
	return all
}

// Write writes the result as one line of JSON.
func (r Result) Write(w io.Writer) error {
	if err := json.NewEncoder(w).Encode(r); err != nil {
		return fmt.Errorf("writing the result: %w", err)
	}
	return nil
}
