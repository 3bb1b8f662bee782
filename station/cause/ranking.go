package cause

import (
	"cmp"
	"math"
	"slices"
)

// Ranking is the causes in the order of their probability.
type Ranking struct {
	Causes    []Ranked
	ToldApart bool  // the first one is as probable as Sure
	Next      *Next // the experiment that is expected to tell most; nil where none would
	Later     Later
	Unknown   []Finding // that took no part
}

// Later is what the next attempt of the unit says.
type Later int

// What it may say.
const (
	NoLater  Later = iota // there is none, or nothing was off
	CameBack              // to what the population is like
	Stayed                // as far off
)

// goes is the chance that a cause is gone in the next attempt of a unit, which
// was taken out, perhaps wiped, and seated anew. They are choices.
func goes(c Code) float64 {
	switch c {
	case Seat:
		return 0.8
	case Dirt:
		return 0.6
	case Moisture, Reflection, Constants, None:
		return 0.5
	case Station:
		return 0.2
	}
	return 0.05
}

// Sure is the probability from which a cause counts as told apart.
const Sure = 0.7

// Ranked is one cause.
type Ranked struct {
	Code        Code
	Prior       float64
	Probability float64
	LogRatio    float64 // logarithm (base e) of the likelihood ratio against no fault, all findings together
	For         []Sign  // findings that speak for it, the strongest first
	Against     []Sign
}

// Sign is a finding that speaks for or against a cause.
type Sign struct {
	Finding Finding
	Value   float64 // difference to the population's median
	Sigmas  float64 // of the population
	Ratio   float64 // likelihood ratio of this finding alone, against no fault; for None against the best fault
}

// telling is the likelihood ratio from which a finding is named.
const telling = 2

// Rank ranks the causes by the evidence of one attempt, and of the one after it,
// nil for none.
func Rank(e, later *Evidence, p *Population, t *Table) Ranking {
	x := p.findings(e)
	logs := t.logLikelihoods(x, p)
	var r Ranking
	for f, v := range x {
		if math.IsNaN(v) {
			r.Unknown = append(r.Unknown, Finding(f))
		}
	}
	if later != nil {
		if back, sure := Read(e, later, p, t, nil); sure {
			r.Later = Stayed
			if back {
				r.Later = CameBack
			}
			for c := range logs {
				chance := goes(c)
				if !back {
					chance = 1 - chance
				}
				logs[c] += math.Log(chance)
			}
		}
	}
	top := math.Inf(-1)
	for _, c := range Codes() {
		top = max(top, logs[c]+math.Log(Prior(c)))
	}
	sum := 0.0
	for _, c := range Codes() {
		v := Ranked{Code: c, Prior: Prior(c), LogRatio: logs[c] - logs[None], Probability: math.Exp(logs[c] + math.Log(Prior(c)) - top)}
		sum += v.Probability
		r.Causes = append(r.Causes, v)
	}
	for i := range r.Causes {
		r.Causes[i].Probability /= sum
	}
	slices.SortStableFunc(r.Causes, func(a, b Ranked) int { return cmp.Compare(b.Probability, a.Probability) })
	fault := r.Causes[0].Code
	if fault == None {
		fault = r.Causes[1].Code
	}
	usual := t.widened(&t.bands[None][0], p)
	for i := range r.Causes {
		c := &r.Causes[i]
		other := None
		if c.Code == None {
			other = fault
		}
		for f := range findings {
			if math.IsNaN(x[f]) {
				continue
			}
			s := Sign{Finding: f, Value: x[f], Sigmas: x[f] / usual[f], Ratio: math.Exp(t.alone(f, x[f], c.Code, p) - t.alone(f, x[f], other, p))}
			switch {
			case s.Ratio >= telling:
				c.For = append(c.For, s)
			case s.Ratio <= 1.0/telling:
				c.Against = append(c.Against, s)
			}
		}
		slices.SortStableFunc(c.For, func(a, b Sign) int { return cmp.Compare(b.Ratio, a.Ratio) })
		slices.SortStableFunc(c.Against, func(a, b Sign) int { return cmp.Compare(a.Ratio, b.Ratio) })
	}
	r.ToldApart = r.Causes[0].Probability >= Sure
	if !r.ToldApart {
		r.Next = next(r.Causes, x, p, t)
	}
	return r
}
