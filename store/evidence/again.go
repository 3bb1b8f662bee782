package evidence

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/station/capture"
	"example.org/panecal/store/record"
)

// Again is an attempt computed once more.
type Again struct {
	capture.Computed
	Set         quantity.Set // of all captures
	Numbers     int          // that were held against the record
	Differences []Difference // of those, where the bits differ
}

// Difference is one number that is another one now.
type Difference struct {
	What          string // such as offset.mean, u of offset.mean, range_mm of zone 3, budget leakage
	Recorded, Now float64
}

// New says that the record does not have it: an older program did not compute it.
func (d Difference) New() bool { return math.IsNaN(d.Recorded) && !math.IsNaN(d.Now) }

// Relative is how far the two are apart, over the larger of them: 0 for the same
// bits and for what is new, infinite where a number is none any more.
func (d Difference) Relative() float64 {
	if math.Float64bits(d.Recorded) == math.Float64bits(d.Now) || math.IsNaN(d.Recorded) {
		return 0
	}
	r := math.Abs(d.Recorded-d.Now) / max(math.Abs(d.Recorded), math.Abs(d.Now))
	if math.IsNaN(r) {
		return math.Inf(1)
	}
	return r
}

// Largest is the largest relative difference.
func (a *Again) Largest() float64 {
	most := 0.0
	for _, d := range a.Differences {
		most = max(most, d.Relative())
	}
	return most
}

// Again computes the attempt with the estimator of this program, and holds every
// number against the record.
func (e *Evidence) Again() (*Again, error) {
	c, err := capture.Compute(e.File)
	if err != nil {
		return nil, err
	}
	a := &Again{Computed: c, Set: quantity.Set{}}
	if e.VerifyHistogram != nil && c.Offsets != nil && e.Attempt.Constants != nil {
		block, err := protocol.ParseBlock(e.Attempt.Constants.ReadBack)
		if err != nil {
			return nil, fmt.Errorf("reading the constants that were verified: %w", err)
		}
		if a.Verification, err = c.Estimator.Verify(station.ConstantsOf(block), e.VerifyHistogram, nil, e.File.Reference, c.Offsets); err != nil {
			return nil, err
		}
	}
	maps.Copy(a.Set, c.Leakage.Quantities)
	if c.Offsets != nil {
		maps.Copy(a.Set, c.Offsets.Quantities)
	}
	if a.Verification != nil {
		maps.Copy(a.Set, a.Verification.Quantities)
	}
	a.compare(e)
	return a, nil
}

func (a *Again) number(what string, recorded, now float64) {
	a.Numbers++
	if d := (Difference{what, recorded, now}); d.Relative() != 0 || d.New() {
		a.Differences = append(a.Differences, d)
	}
}

func (a *Again) zones(what string, recorded, now []float64) {
	for z := range max(len(recorded), len(now)) {
		at := func(l []float64) float64 {
			if z < len(l) {
				return l[z]
			}
			return math.NaN()
		}
		a.number(fmt.Sprintf("%s of zone %d", what, z), at(recorded), at(now))
	}
}

func (a *Again) compare(e *Evidence) {
	old := e.Attempt.Set()
	for _, d := range quantity.All() {
		was, had := old[d.Name]
		is, has := a.Set[d.Name]
		if !had && !has {
			continue
		}
		none := quantity.Measured{Value: quantity.Value{V: math.NaN(), U: math.NaN(), Common: math.NaN()}}
		if !had {
			was = none
		}
		if !has {
			is = none
		}
		name := string(d.Name)
		a.number(name, was.V, is.V)
		a.number("u of "+name, was.U, is.U)
		a.number("common u of "+name, was.Common, is.Common)
		if had && has {
			v := func(m quantity.Measured) (v, u []float64) {
				for _, z := range m.Zones {
					v, u = append(v, z.V), append(u, z.U)
				}
				return v, u
			}
			wasV, wasU := v(was)
			isV, isU := v(is)
			a.zones(name, wasV, isV)
			a.zones("u of "+name, wasU, isU)
		}
	}
	var verified []quantity.Value
	if a.Verification != nil {
		verified = a.Set[quantity.VerifyError].Zones
	}
	ranges := e.File.UnitRanges
	if e.File.Kind == "summary" {
		ranges = e.File.TargetSummary
	}
	was := &e.Attempt.Zones
	is := station.ZonesRecord(was.Rows, was.Cols, a.Leakage, a.Offsets, ranges, verified)
	for _, z := range []struct {
		what    string
		was, is []float64
	}{
		{"leakage", was.Leakage, is.Leakage}, {"leakage_u", was.LeakageU, is.LeakageU}, {"leakage_distance_mm", was.LeakageDistanceMM, is.LeakageDistanceMM},
		{"ambient", was.Ambient, is.Ambient}, {"ambient_u", was.AmbientU, is.AmbientU}, {"ambient_target", was.AmbientTarget, is.AmbientTarget},
		{"range_mm", was.RangeMM, is.RangeMM}, {"range_u_mm", was.RangeUMM, is.RangeUMM}, {"offset_mm", was.OffsetMM, is.OffsetMM}, {"offset_u_mm", was.OffsetUMM, is.OffsetUMM},
		{"signal", was.Signal, is.Signal}, {"signal_u", was.SignalU, is.SignalU}, {"unit_range_mm", was.UnitRangeMM, is.UnitRangeMM}, {"verify_mm", was.VerifyMM, is.VerifyMM},
	} {
		a.zones(z.what, z.was, z.is)
	}
	if a.Offsets != nil {
		a.budget(e.Attempt.Budget)
	}
}

func (a *Again) budget(was []record.Budget) {
	now := map[string]float64{}
	var lines []string
	for _, b := range a.Offsets.Budget {
		now[b.Line] = b.MM
		lines = append(lines, b.Line)
	}
	then := map[string]float64{}
	for _, b := range was {
		then[b.Line] = b.MM
		if !slices.Contains(lines, b.Line) {
			lines = append(lines, b.Line)
		}
	}
	for _, l := range lines {
		at := func(m map[string]float64) float64 {
			if v, ok := m[l]; ok {
				return v
			}
			return math.NaN()
		}
		a.number("budget "+l, at(then), at(now))
	}
}

// Judge holds a set against limits as the station would have at this attempt: what
// constants would do is not asked of a unit that was given none.
func Judge(f *limits.File, a *record.Attempt, s quantity.Set) limits.Judgement {
	if _, verified := s[quantity.VerifyError]; !verified && !a.Run.Purpose.Decides() {
		f = f.Excusing(quantity.VerifyError, quantity.VerifyErrorFar)
	}
	return f.Judge(s)
}
