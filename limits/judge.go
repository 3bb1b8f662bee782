package limits

import (
	"math"
	"slices"

	"example.org/panecal/limits/quantity"
	"gonum.org/v1/gonum/stat/distuv"
)

// Judgement is what the limits say about one unit.
type Judgement struct {
	Passed      bool
	Outcome     string
	SoftBin     int
	SoftName    string // key of the bin in the file
	Code        string
	HardBin     int
	Disposition string
	Instruction Text
	Decided     quantity.Name // the quantity whose limit gave the bin; "" where no limit did
	Lines       []Line        // one per limit, in column order of the quantities
}

// Line is one limit held against one quantity. Low and High are NaN where
// that side is open, V and U where not measured.
type Line struct {
	Name        quantity.Name
	Unit        string
	V, U        float64 // of the largest magnitude over the zones
	Low, High   float64 // specification limits
	K           float64
	HeldLow     float64 // what Low was compared with: the smallest value − k·u
	HeldHigh    float64 // what High was compared with: the largest value + k·u
	Measured    bool
	Passed      bool
	Bin         string  // bin of the side that failed, "" where passed
	PConforming float64 // of the zone where it is smallest; NaN where not measured
}

// Judge holds every limit against what was measured.
func (f *File) Judge(s quantity.Set) Judgement {
	lines := make([]Line, len(f.Limits))
	worst, by := &f.passed, -1
	for i := range f.Limits {
		l := &f.Limits[i]
		bin := f.judge(l, s, &lines[i])
		if bin != nil && (by < 0 || bin.Priority < worst.Priority) {
			worst, by = bin, i
		}
	}
	j := judgement(*worst)
	j.Lines = lines
	if by >= 0 {
		j.Decided = f.Limits[by].Name
		if own := f.Limits[by].Instruction; own.Plain != "" && worst.Name != NotMeasured {
			j.Instruction = own
		}
	}
	return j
}

// Excusing gives the same limits, under which these quantities may be missing:
// what was not measured fails nobody, what was measured is judged.
func (f *File) Excusing(names ...quantity.Name) *File {
	g := *f
	g.Limits = slices.Clone(f.Limits)
	for i := range g.Limits {
		if slices.Contains(names, g.Limits[i].Name) {
			g.Limits[i].Optional = true
		}
	}
	return &g
}

// JudgeAs judges what was measured, if anything, and then gives the unit to
// the named bin: for what the station found without a limit, see the
// reserved names. It is false where the file has no such bin, and for Passed,
// which only the limits can give.
func (f *File) JudgeAs(name string, s quantity.Set) (Judgement, bool) {
	b, ok := f.Bin(name)
	if !ok || name == Passed {
		return Judgement{}, false
	}
	j := judgement(b)
	j.Lines = f.Judge(s).Lines
	return j, true
}

func judgement(b Bin) Judgement {
	return Judgement{
		Passed: b.Outcome == OutcomePassed, Outcome: b.Outcome,
		SoftBin: b.Number, SoftName: b.Name, Code: b.Code,
		HardBin: b.Hard.Number, Disposition: b.Disposition, Instruction: b.Instruction,
	}
}

// judge fills line and gives the bin that the unit goes to for this limit,
// nil where it holds.
func (f *File) judge(l *Limit, s quantity.Set, line *Line) *Bin {
	nan := math.NaN()
	*line = Line{Name: l.Name, Unit: l.Unit, V: nan, U: nan, Low: bound(l.Low), High: bound(l.High),
		K: l.K, HeldLow: nan, HeldHigh: nan, PConforming: nan}
	m, ok := s[l.Name]
	if !l.Zoned {
		m.Zones = nil
	}
	high, low := m.High(l.K), m.Low(l.K)
	if !ok || math.IsNaN(m.V) || math.IsNaN(high) || math.IsNaN(low) {
		return f.absent(l, line)
	}
	line.V, line.U, line.Measured = m.V, m.U, true
	line.HeldLow, line.HeldHigh = low, high
	line.PConforming = conforming(l, m)
	bin := l.side(high, low)
	line.Passed = bin == nil
	if bin != nil {
		line.Bin = bin.Name
	}
	return bin
}

func (f *File) absent(l *Limit, line *Line) *Bin {
	if l.Optional {
		line.Passed = true
		return nil
	}
	line.Bin = NotMeasured
	return &f.notMeasured
}

// side gives the bin of the side that does not hold. Where neither holds,
// which takes an uncertainty wider than the interval, it is the one of the
// smaller priority.
func (l *Limit) side(high, low float64) *Bin {
	var bin *Bin
	if l.High != nil && !(high <= *l.High) {
		bin = l.HighBin
	}
	if l.Low != nil && !(low >= *l.Low) && (bin == nil || l.LowBin.Priority < bin.Priority) {
		bin = l.LowBin
	}
	return bin
}

// JudgeRow gives the bin that Judge gives for the measurement the row was
// made of, without lines. Known is false where the row cannot say: a
// quantity with zones under a guard factor that rows do not keep.
func (f *File) JudgeRow(r quantity.Row) (bin *Bin, known bool) {
	worst := &f.passed
	failed := false
	for i := range f.Limits {
		b, known := f.judgeRow(&f.Limits[i], r)
		if !known {
			return nil, false
		}
		if b != nil && (!failed || b.Priority < worst.Priority) {
			worst, failed = b, true
		}
	}
	return worst, true
}

func (f *File) judgeRow(l *Limit, r quantity.Row) (bin *Bin, known bool) {
	if l.Column+l.Width() > len(r) || math.IsNaN(r[l.Column]) {
		if l.Optional {
			return nil, true
		}
		return &f.notMeasured, true
	}
	if l.highest < 0 {
		return nil, false
	}
	high, low := r[l.highest], r[l.smallest]
	if !l.Zoned {
		m := quantity.Measured{Value: quantity.Value{V: r[l.Column], U: r[l.Column+1]}}
		high, low = m.High(l.K), m.Low(l.K)
	}
	if math.IsNaN(high) || math.IsNaN(low) {
		if l.Optional {
			return nil, true
		}
		return &f.notMeasured, true
	}
	return l.side(high, low), true
}

// conforming gives the probability that the true value lies inside the
// specification limits, given the measured value, its standard uncertainty
// and no prior knowledge: JCGM 106:2012, 7.3 and 7.4. Over zones it is the
// smallest of theirs, since that zone alone can make the unit nonconforming;
// the probability that all zones conform is smaller still and depends on
// what the zones share, which the numbers do not say.
func conforming(l *Limit, m quantity.Measured) float64 {
	if m.Zones == nil {
		return Conforming(m.V, m.U, bound(l.Low), bound(l.High))
	}
	p := math.NaN()
	for _, z := range m.Zones {
		if q := Conforming(z.V, z.U, bound(l.Low), bound(l.High)); !math.IsNaN(q) && !(q >= p) {
			p = q
		}
	}
	return p
}

// Conforming is the probability that the true value of a quantity lies in
// [low, high], for a measured value with standard uncertainty u, normal, no
// prior knowledge (JCGM 106:2012, 7.3, 7.4). An open side is NaN. Without a
// positive u it is 1 or 0. It is NaN where the value is NaN.
func Conforming(value, u, low, high float64) float64 {
	if math.IsNaN(value) {
		return math.NaN()
	}
	return max(1-outside(value, u, low, high), 0)
}

// outside is 1 − Conforming. Tails are added rather than taken from 1, so
// that a small probability keeps its digits.
func outside(value, u, low, high float64) float64 {
	if !(u > 0) {
		if value < low || value > high {
			return 1
		}
		return 0
	}
	n := distuv.UnitNormal
	p := 0.0
	if !math.IsNaN(low) {
		p += n.CDF((low - value) / u)
	}
	if !math.IsNaN(high) {
		p += n.CDF((value - high) / u)
	}
	return p
}

func bound(p *float64) float64 {
	if p == nil {
		return math.NaN()
	}
	return *p
}
