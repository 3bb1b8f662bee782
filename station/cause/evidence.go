package cause

import (
	"math"
	"slices"
)

// Evidence is what one attempt says of a unit. A number that is not known is
// NaN, a list that is not known nil.
type Evidence struct {
	Rows, Cols int
	Leakage    []float64 // of each zone, counts per shot; NaN in dead and hot ones
	Signal     []float64 // likewise
	Ambient    []float64 // counts per shot and bin

	LeakageMM    float64 // leakage.distance
	OffsetMM     float64 // offset.mean
	PulsePS      float64 // pulse.width
	Late         float64 // leakage.late
	Change       float64 // leakage.change
	TiltDeg      float64 // seat.tilt
	Stray        float64 // stray.significance
	Misfit       float64 // target.misfit
	Spread       float64 // offset.spread, mm
	Broken       float64 // zones dead or hot
	VerifyMM     float64 // mean over the zones of the error with the constants in force
	VerifySpread float64 // standard deviation over the zones of that, mm
	Drift        float64 // relative change of the counts within the empty capture, from its frames
	ChecksMM     float64 // by how much the check units read too far in this nest that day
}

// Finding is one thing that evidence shows, as a number that is near 0 for a
// unit like its population.
type Finding int

// The findings.
const (
	Level Finding = iota
	SlopeX
	SlopeY
	Unevenness
	Delay
	Tail
	Signal
	SignalUnevenness
	Ambient
	PulseWidth
	LeakageChange
	FrameDrift
	SeatTilt
	StrayReturn
	TargetMisfit
	OffsetSpread
	BrokenZones
	Offset
	CheckUnits
	Verify
	VerifyZones
	findings
)

// Findings is how many there are.
const Findings = int(findings)

// words of a finding: its name, and what its number is.
var words = [Findings]struct{ name, unit string }{
	{"level of the leakage", "ln of times the population"},
	{"leakage from left to right", "ln per half field"},
	{"leakage from top to bottom", "ln per half field"},
	{"unevenness of the leakage", "ln of times the population"},
	{"where the leakage appears", "mm"},
	{"late share of the leakage", "1"},
	{"signal of the target", "ln of times the population"},
	{"unevenness of the signal", "ln of times the population"},
	{"ambient light", "ln of times the population"},
	{"pulse width", "ln of times the population"},
	{"leakage between the captures", "ln"},
	{"drift within the empty capture", "1"},
	{"tilt in the nest", "ln of times the population"},
	{"return where none should be", "ln of times the population"},
	{"misfit of the target", "ln of times the population"},
	{"spread of the offsets", "ln of times the population"},
	{"dead and hot zones", "ln of 1 + zones"},
	{"offset", "mm"},
	{"check units in the nest", "mm"},
	{"error with the constants in force", "ln of times the population"},
	{"spread of that error over the zones", "ln of times the population"},
}

// String names the finding.
func (f Finding) String() string { return words[f].name }

// Unit says what its number is.
func (f Finding) Unit() string { return words[f].unit }

// vector holds the findings of one attempt.
type vector [Findings]float64

// least is what takes the place of a rate that is not positive, as a share of
// the population's.
const least = 0.02

// raw are the findings before the population's medians are taken off.
func (e *Evidence) raw(p *Population) vector {
	var v vector
	for i := range v {
		v[i] = math.NaN()
	}
	leak := logRatios(e.Leakage, p.Leakage)
	if n := count(leak); n > 0 {
		v[Level] = median(leak)
		if n >= 6 {
			var rest []float64
			v[SlopeX], v[SlopeY], rest = plane(leak, e.Rows, e.Cols)
			v[Unevenness] = math.Log(deviation(rest) + 0.01)
		}
	}
	signal := logRatios(e.Signal, p.Signal)
	if n := count(signal); n > 0 {
		v[Signal] = median(signal)
		if n >= 6 {
			_, _, rest := plane(signal, e.Rows, e.Cols)
			v[SignalUnevenness] = math.Log(deviation(rest) + 0.01)
		}
	}
	if a := median(e.Ambient); a > 0 {
		v[Ambient] = math.Log(a)
	}
	v[Delay] = e.LeakageMM - e.OffsetMM
	v[Tail] = e.Late
	v[PulseWidth] = math.Log(e.PulsePS)
	v[LeakageChange] = math.Log(max(e.Change, least))
	v[FrameDrift] = e.Drift
	v[SeatTilt] = math.Log(e.TiltDeg + 0.05)
	v[StrayReturn] = math.Log(max(e.Stray, 1))
	v[TargetMisfit] = math.Log(max(e.Misfit, 0.1))
	v[OffsetSpread] = math.Log(e.Spread + 0.05)
	v[BrokenZones] = math.Log1p(e.Broken)
	v[Offset] = e.OffsetMM
	v[CheckUnits] = e.ChecksMM
	v[Verify] = math.Log(math.Abs(e.VerifyMM) + 0.1)
	v[VerifyZones] = math.Log(e.VerifySpread + 0.05)
	for i := range v {
		if math.IsInf(v[i], 0) {
			v[i] = math.NaN()
		}
	}
	return v
}

// logRatios are the logarithms of zones over those of a map.
func logRatios(zones, of []float64) []float64 {
	if len(zones) != len(of) {
		return nil
	}
	out := make([]float64, len(zones))
	for z := range zones {
		out[z] = math.Log(max(zones[z]/of[z], least))
		if math.IsNaN(zones[z]) || !(of[z] > 0) {
			out[z] = math.NaN()
		}
	}
	return out
}

// plane fits a + x·column + y·row to zones by least squares, columns and rows
// from −1 to 1, x to the right and y to the top, and returns what it leaves.
func plane(zones []float64, rows, cols int) (x, y float64, rest []float64) {
	at := func(i, n int) float64 {
		if n < 2 {
			return 0
		}
		return 2*float64(i)/float64(n-1) - 1
	}
	// Normal equations of three parameters, solved by elimination.
	var m [3][4]float64
	for z, v := range zones {
		if math.IsNaN(v) {
			continue
		}
		row := [4]float64{1, at(z%cols, cols), -at(z/cols, rows), v}
		for i := range 3 {
			for j := range 4 {
				m[i][j] += row[i] * row[j]
			}
		}
	}
	var p [3]float64
	for i := range 3 {
		if m[i][i] < 1e-9 {
			m[i][i], m[i][3] = 1, 0
		}
		for k := i + 1; k < 3; k++ {
			f := m[k][i] / m[i][i]
			for j := i; j < 4; j++ {
				m[k][j] -= f * m[i][j]
			}
		}
	}
	for i := 2; i >= 0; i-- {
		p[i] = m[i][3]
		for j := i + 1; j < 3; j++ {
			p[i] -= m[i][j] * p[j]
		}
		p[i] /= m[i][i]
	}
	for z, v := range zones {
		if !math.IsNaN(v) {
			rest = append(rest, v-p[0]-p[1]*at(z%cols, cols)+p[2]*at(z/cols, rows))
		}
	}
	return p[1], p[2], rest
}

func count(v []float64) (n int) {
	for _, x := range v {
		if !math.IsNaN(x) {
			n++
		}
	}
	return n
}

// median of the numbers that are there, NaN of none.
func median(v []float64) float64 {
	s := make([]float64, 0, len(v))
	for _, x := range v {
		if !math.IsNaN(x) {
			s = append(s, x)
		}
	}
	n := len(s)
	if n == 0 {
		return math.NaN()
	}
	slices.Sort(s)
	return (s[(n-1)/2] + s[n/2]) / 2
}

// deviation is 1.4826 times the median distance from the median: the standard
// deviation of what is normal, and not moved by a few that are not.
func deviation(v []float64) float64 {
	m := median(v)
	d := make([]float64, len(v))
	for i, x := range v {
		d[i] = math.Abs(x - m)
	}
	return 1.4826 * median(d)
}
