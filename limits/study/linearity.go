package study

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Linearity is how the bias of a gauge, value less reference, follows the
// reference: AIAG, Measurement Systems Analysis, 4th ed., chapter III B.
type Linearity struct {
	Head
	N          int       `json:"n"`
	Intercept  Number    `json:"intercept"` // of bias = intercept + slope·reference
	Slope      Number    `json:"slope"`
	TIntercept Number    `json:"t_intercept"`
	TSlope     Number    `json:"t_slope"`
	PIntercept Number    `json:"p_intercept"` // two-sided, n − 2 degrees of freedom
	PSlope     Number    `json:"p_slope"`
	ResidualSD Number    `json:"residual_sd"`
	R2         Number    `json:"r2"`
	Bias       Number    `json:"bias"` // mean of all
	Biases     []BiasRow `json:"biases"`
}

// BiasRow is the bias at one reference, in ascending order of it.
type BiasRow struct {
	Reference Number `json:"reference"`
	N         int    `json:"n"`
	Bias      Number `json:"bias"`
	SD        Number `json:"sd"` // of the readings
	T         Number `json:"t"`
	P         Number `json:"p"` // two-sided, n − 1 degrees of freedom
}

// NewLinearity works it out of references and values, two samples of one
// length.
func NewLinearity(reference, value Sample) (Linearity, error) {
	if reference.Len() < 3 {
		return Linearity{}, fmt.Errorf("linearity needs at least 3 readings, not %d", reference.Len())
	}
	errs := make([]float64, value.Len())
	at := map[float64][]float64{}
	for i, v := range value.values {
		r := reference.values[i]
		errs[i] = v - r
		at[r] = append(at[r], errs[i])
	}
	if len(at) < 2 {
		return Linearity{}, errors.New("every reading has one reference: linearity needs two or more")
	}
	e := NewSample(errs)
	l := FitLine(reference, e)
	df := float64(e.Len() - 2)
	out := Linearity{Head: head("linearity"), N: e.Len(), Intercept: l.Intercept, Slope: l.Slope, ResidualSD: l.ResidualSD, R2: l.R2, Bias: Number(e.mean())}
	out.TIntercept, out.PIntercept = student(float64(l.Intercept), float64(l.InterceptSD), df)
	out.TSlope, out.PSlope = student(float64(l.Slope), float64(l.SlopeSD), df)
	var refs []float64
	for r := range at {
		refs = append(refs, r)
	}
	slices.Sort(refs)
	for _, r := range refs {
		s := NewSample(at[r])
		row := BiasRow{Reference: Number(r), N: s.Len(), Bias: Number(s.mean()), SD: Number(s.sd())}
		row.T, row.P = student(s.mean(), s.sd()/math.Sqrt(float64(s.Len())), float64(s.Len()-1))
		out.Biases = append(out.Biases, row)
	}
	return out, nil
}

// student is the ratio of a number and its standard deviation, and the chance
// of one as far from 0 where the truth is 0.
func student(x, sd, df float64) (t, p Number) {
	if !(df > 0) || math.IsNaN(sd) {
		return undefined(), undefined()
	}
	r := ratio(x, sd)
	if math.IsNaN(r) {
		return undefined(), undefined()
	}
	return Number(r), Number(2 * distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.CDF(-math.Abs(r)))
}

// Correlation compares two stations that have measured the same parts.
type Correlation struct {
	Head
	N              int    `json:"n"`
	R              Bounds `json:"r"`               // Pearson's; bounds by Fisher's z
	MeanDifference Bounds `json:"mean_difference"` // y − x; bounds by Student's t
	SDDifference   Number `json:"sd_difference"`
	T              Number `json:"t"` // of the mean difference
	P              Number `json:"p"` // two-sided, n − 1 degrees of freedom
}

// NewCorrelation works it out of x and y, two samples of one length, one pair a
// part.
func NewCorrelation(x, y Sample, confidence float64) (Correlation, error) {
	n := x.Len()
	if n < 4 {
		return Correlation{}, fmt.Errorf("a correlation needs at least 4 parts, not %d", n)
	}
	if !(confidence > 0 && confidence < 1) {
		return Correlation{}, fmt.Errorf("confidence %v is not between 0 and 1", confidence)
	}
	mx, my := mean(x.offsets), mean(y.offsets)
	dx, dy, d := make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range dx {
		dx[i], dy[i] = x.offsets[i]-mx, y.offsets[i]-my
		d[i] = y.values[i] - x.values[i]
	}
	r := ratio(sumProducts(dx, dy), math.Sqrt(sumSquares(dx)*sumSquares(dy)))
	reach := distuv.UnitNormal.Quantile((1+confidence)/2) / math.Sqrt(float64(n-3))
	z := math.Atanh(r)
	diff := NewSample(d)
	se := diff.sd() / math.Sqrt(float64(n))
	half := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(n - 1)}.Quantile((1+confidence)/2) * se
	m := diff.mean()
	c := Correlation{Head: head("correlation"), N: n, R: Bounds{Number(r), Number(math.Tanh(z - reach)), Number(math.Tanh(z + reach))},
		MeanDifference: Bounds{Number(m), Number(m - half), Number(m + half)}, SDDifference: Number(diff.sd())}
	c.T, c.P = student(m, se, float64(n-1))
	return c, nil
}

// Nested is a gauge study whose parts cannot go from one appraiser to another:
// each appraiser has parts of its own.
type Nested struct {
	Head
	Appraisers int         `json:"appraisers"`
	Parts      int         `json:"parts"` // of each appraiser
	Trials     int         `json:"trials"`
	ANOVA      []Source    `json:"anova"`      // appraiser, part, repeatability, total
	Components []Component `json:"components"` // repeatability, appraiser, gauge, part, total
}

// NewNested works out a study in which every appraiser has equally many parts
// of its own and measures each equally often, at least twice; parts of two
// appraisers are two parts, whatever they are called. The appraiser is held
// against its parts, a part against repeatability.
func NewNested(parts, appraisers []string, s Sample, o GaugeOptions) (Nested, error) {
	an, ai := groups(appraisers)
	own := make([]string, len(parts))
	for i := range parts {
		own[i] = fmt.Sprintf("%d/%s", ai[i], parts[i])
	}
	pn, pi := groups(own)
	cells := split(s.offsets, pi, len(pn))
	of := make([]int, len(pn)) // appraiser of a part
	for i := range pi {
		of[pi[i]] = ai[i]
	}
	count := make([]int, len(an))
	for _, a := range of {
		count[a]++
	}
	trials := common(cells)
	for a, n := range count {
		if n != count[0] || n < 2 {
			return Nested{}, fmt.Errorf("appraiser %s has %d parts, others have %d: every appraiser needs equally many, at least two", shortened(an[a]), n, count[0])
		}
	}
	for i, c := range cells {
		if len(c) != trials || trials < 2 {
			return Nested{}, fmt.Errorf("part %s of appraiser %s has %d trials, others have %d: each needs equally many, at least two", shortened(parts[slices.Index(pi, i)]), shortened(an[of[i]]), len(c), trials)
		}
	}
	if len(an) < 2 {
		return Nested{}, errors.New("a nested study needs at least two appraisers")
	}
	n := Nested{Head: head("nested"), Appraisers: len(an), Parts: count[0], Trials: trials}
	all := mean(s.offsets)
	am, cm := means(split(s.offsets, ai, len(an))), means(cells)
	var by, between, within, total []float64
	for _, m := range am {
		by = append(by, m-all)
	}
	for i, m := range cm {
		between = append(between, m-am[of[i]])
		for _, v := range cells[i] {
			within, total = append(within, v-m), append(total, v-all)
		}
	}
	t, p := float64(trials), float64(n.Parts)
	repeat := source("repeatability", len(pn)*(trials-1), sumSquares(within))
	part := source("part", len(an)*(n.Parts-1), t*sumSquares(between)).against(repeat)
	appraiser := source("appraiser", len(an)-1, t*p*sumSquares(by)).against(part)
	n.ANOVA = []Source{appraiser, part, repeat, {"total", s.Len() - 1, Number(sumSquares(total)), undefined(), undefined(), undefined()}}
	raw := map[string]float64{"repeatability": float64(repeat.MS), "appraiser": float64(appraiser.MS-part.MS) / (t * p), "part": float64(part.MS-repeat.MS) / t}
	clip := func(name string) float64 { return max(raw[name], 0) }
	gauge := clip("repeatability") + clip("appraiser")
	sum := gauge + clip("part")
	for _, c := range []struct {
		name          string
		variance, raw float64
	}{{"repeatability", clip("repeatability"), raw["repeatability"]}, {"appraiser", clip("appraiser"), raw["appraiser"]},
		{"gauge", gauge, raw["repeatability"] + raw["appraiser"]}, {"part", clip("part"), raw["part"]}, {"total", sum, raw["repeatability"] + raw["appraiser"] + raw["part"]}} {
		sd := math.Sqrt(c.variance)
		n.Components = append(n.Components, Component{Name: c.name, Variance: Number(c.variance), VarianceRaw: Number(c.raw), SD: Number(sd),
			PercentContribution: Number(100 * ratio(c.variance, sum)), PercentStudy: Number(100 * ratio(sd, math.Sqrt(sum))), PercentTolerance: Number(100 * o.Multiplier * sd / (o.Upper - o.Lower))})
	}
	return n, nil
}
