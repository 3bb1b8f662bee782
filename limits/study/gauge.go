package study

import (
	"fmt"
	"math"
)

// GaugeOptions say how a gauge study is looked at. Lower and Upper are the
// specification limits, NaN where there is none.
type GaugeOptions struct {
	Pool         float64 // the interaction is pooled if its p is larger
	Multiplier   float64 // of a standard deviation, held against the tolerance
	Lower, Upper float64
}

// Gauge is a crossed gauge study by analysis of variance, parts and
// appraisers random.
type Gauge struct {
	Head
	Parts       int         `json:"parts"`
	Appraisers  int         `json:"appraisers"`
	Trials      int         `json:"trials"`
	ANOVA       []Source    `json:"anova"` // part, appraiser, interaction, repeatability, total
	Pooled      bool        `json:"pooled"`
	ANOVAPooled []Source    `json:"anova_pooled,omitempty"` // part, appraiser, repeatability, total
	Components  []Component `json:"components"`             // see NewGauge
	NDC         *int        `json:"ndc"`                    // distinct categories: NDCRaw without its fraction
	NDCRaw      Number      `json:"ndc_raw"`
}

// Source is one row of an analysis of variance.
type Source struct {
	Source string `json:"source"`
	DF     int    `json:"df"`
	SS     Number `json:"ss"`
	MS     Number `json:"ms"`
	F      Number `json:"f"`
	P      Number `json:"p"`
}

// Component is one component of variance. Variance is VarianceRaw without
// what is below zero; the sums (reproducibility, gauge, total) add up either.
type Component struct {
	Name                string `json:"name"`
	Variance            Number `json:"variance"`
	VarianceRaw         Number `json:"variance_raw"`
	SD                  Number `json:"sd"`
	PercentContribution Number `json:"percent_contribution"` // 100·variance/total variance
	PercentStudy        Number `json:"percent_study"`        // 100·sd/total sd
	PercentTolerance    Number `json:"percent_tolerance"`    // 100·multiplier·sd/(upper − lower)
}

// NewGauge works out a study in which every appraiser has measured every part
// equally often, at least twice. Part and appraiser are held against the
// interaction, and against repeatability if the interaction is pooled with
// it. Source: AIAG, Measurement Systems Analysis, 4th ed., chapter III B.
func NewGauge(parts, appraisers []string, s Sample, o GaugeOptions) (Gauge, error) {
	pn, pi := groups(parts)
	an, ai := groups(appraisers)
	cell := make([]int, s.Len())
	for i := range cell {
		cell[i] = pi[i]*len(an) + ai[i]
	}
	cells := split(s.offsets, cell, len(pn)*len(an))
	if len(pn) < 2 || len(an) < 2 {
		return Gauge{}, fmt.Errorf("a gauge study needs at least two parts and two appraisers, this one has %d and %d", len(pn), len(an))
	}
	trials := common(cells)
	for i, c := range cells {
		if len(c) != trials {
			return Gauge{}, fmt.Errorf("the study is unbalanced: part %s, appraiser %s has %d trials, others have %d: every appraiser measures every part equally often",
				shortened(pn[i/len(an)]), shortened(an[i%len(an)]), len(c), trials)
		}
	}
	if trials < 2 {
		return Gauge{}, fmt.Errorf("a gauge study needs at least two trials of every part by every appraiser, this one has %d", trials)
	}
	g := Gauge{Head: head("gauge"), Parts: len(pn), Appraisers: len(an), Trials: trials}
	g.analyse(s.offsets, pi, ai, cells, o)
	return g, nil
}

// common is the size that most cells have, the larger of two as frequent.
func common(cells [][]float64) int {
	count := map[int]int{}
	for _, c := range cells {
		count[len(c)]++
	}
	best := 0
	for size, n := range count {
		if n > count[best] || n == count[best] && size > best {
			best = size
		}
	}
	return best
}

func (g *Gauge) analyse(x []float64, pi, ai []int, cells [][]float64, o GaugeOptions) {
	p, a, t := float64(g.Parts), float64(g.Appraisers), float64(g.Trials)
	all := mean(x)
	pm, am := means(split(x, pi, g.Parts)), means(split(x, ai, g.Appraisers))
	cm := means(cells)
	var between, by, both, within, total []float64
	for _, m := range pm {
		between = append(between, m-all)
	}
	for _, m := range am {
		by = append(by, m-all)
	}
	for i, m := range cm {
		both = append(both, m-pm[i/g.Appraisers]-am[i%g.Appraisers]+all)
		for _, v := range cells[i] {
			within, total = append(within, v-m), append(total, v-all)
		}
	}
	part := source("part", g.Parts-1, a*t*sumSquares(between))
	appraiser := source("appraiser", g.Appraisers-1, p*t*sumSquares(by))
	interaction := source("interaction", part.DF*appraiser.DF, t*sumSquares(both))
	repeat := source("repeatability", g.Parts*g.Appraisers*(g.Trials-1), sumSquares(within))
	sum := Source{"total", len(x) - 1, Number(sumSquares(total)), undefined(), undefined(), undefined()}

	interaction = interaction.against(repeat)
	g.Pooled = float64(interaction.P) > o.Pool
	err, cross := repeat, interaction
	if g.Pooled {
		err = source("repeatability", repeat.DF+interaction.DF, float64(repeat.SS+interaction.SS))
		cross = err
		g.ANOVAPooled = []Source{part.against(err), appraiser.against(err), err, sum}
		g.ANOVA = []Source{part.against(repeat), appraiser.against(repeat), interaction, repeat, sum}
	} else {
		g.ANOVA = []Source{part.against(interaction), appraiser.against(interaction), interaction, repeat, sum}
	}
	g.components(float64(err.MS), float64(cross.MS), float64(appraiser.MS), float64(part.MS), o)
}

// components takes the mean squares of repeatability, interaction, appraiser
// and part; where the interaction is pooled, the first two are the same.
func (g *Gauge) components(repeat, cross, appraiser, part float64, o GaugeOptions) {
	p, a, t := float64(g.Parts), float64(g.Appraisers), float64(g.Trials)
	raw := func(v float64) Component { return Component{VarianceRaw: Number(v), Variance: Number(max(v, 0))} }
	add := func(of ...Component) (sum Component) {
		for _, c := range of {
			sum.Variance, sum.VarianceRaw = sum.Variance+c.Variance, sum.VarianceRaw+c.VarianceRaw
		}
		return sum
	}
	rep, app := raw(repeat), raw((appraiser-cross)/(p*t))
	inter, prt := raw((cross-repeat)/t), raw((part-cross)/(a*t))
	repro := add(app, inter)
	gauge := add(rep, repro)
	total := add(gauge, prt)
	list := []struct {
		name string
		c    Component
	}{{"repeatability", rep}, {"reproducibility", repro}, {"appraiser", app}, {"interaction", inter}, {"gauge", gauge}, {"part", prt}, {"total", total}}
	for _, one := range list {
		c := one.c
		v, sd := float64(c.Variance), math.Sqrt(float64(c.Variance))
		c.Name, c.SD = one.name, Number(sd)
		c.PercentContribution = Number(100 * ratio(v, float64(total.Variance)))
		c.PercentStudy = Number(100 * ratio(sd, math.Sqrt(float64(total.Variance))))
		c.PercentTolerance = Number(100 * o.Multiplier * sd / (o.Upper - o.Lower))
		g.Components = append(g.Components, c)
	}
	g.NDCRaw = Number(math.Sqrt2 * ratio(math.Sqrt(float64(prt.Variance)), math.Sqrt(float64(gauge.Variance))))
	if whole := math.Trunc(float64(g.NDCRaw)); whole < math.MaxInt32 {
		n := int(whole)
		g.NDC = &n
	}
}

func undefined() Number { return Number(math.NaN()) }

func source(name string, df int, ss float64) Source {
	return Source{name, df, Number(ss), Number(ratio(ss, float64(df))), undefined(), undefined()}
}

func (s Source) against(e Source) Source {
	f := ratio(float64(s.MS), float64(e.MS))
	s.F, s.P = Number(f), Number(fTail(f, s.DF, e.DF))
	return s
}

func means(parts [][]float64) []float64 {
	m := make([]float64, len(parts))
	for i, x := range parts {
		m[i] = mean(x)
	}
	return m
}
