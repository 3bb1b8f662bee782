package study

import (
	"fmt"
	"math"

	"example.org/panecal/limits"
	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Risk holds the global risks of JCGM 106:2012, 9.5, as shares of all units.
type Risk struct {
	Head
	FalseAccept            Number `json:"false_accept"`
	FalseReject            Number `json:"false_reject"`
	ConditionalFalseAccept Number `json:"conditional_false_accept"` // share of those accepted
	Nonconforming          Number `json:"nonconforming"`            // before any measurement
	Accepted               Number `json:"accepted"`
}

// NormalRisk is for true values that are normal with that mean and standard
// deviation, measured with normal error of standard uncertainty u. Limits
// left out are NaN; guard is the width by which each acceptance limit lies
// inside its specification limit (outside if negative).
func NormalRisk(mean, sd, u float64, spec limits.Interval, guard float64) (Risk, error) {
	if !(sd >= 0) {
		return Risk{}, fmt.Errorf("sd %v is negative", sd)
	}
	accept, err := guarded(u, spec, guard)
	if err != nil {
		return Risk{}, err
	}
	bad := tails(mean, sd, spec)
	if sd > 0 {
		return risk(distuv.Normal{Mu: mean, Sigma: sd}, u, spec, accept, bad, inside(mean, math.Hypot(sd, u), accept)), nil
	}
	// Every unit is alike: what is rejected is falsely so, or accepted.
	r := Risk{Head: head("risk"), Nonconforming: Number(bad)}
	r.Accepted = Number(inside(mean, u, accept))
	if bad == 0 {
		r.FalseReject = Number(tails(mean, u, accept))
	} else {
		r.FalseAccept = r.Accepted
	}
	r.ConditionalFalseAccept = Number(ratio(float64(r.FalseAccept), float64(r.Accepted)))
	return r, nil
}

// GammaRisk is for true values of a gamma distribution, mean shape/rate: never
// negative, with a tail towards large values.
func GammaRisk(shape, rate, u float64, spec limits.Interval, guard float64) (Risk, error) {
	const least = 0.1 // below it nearly all units are at 0 and the rest nowhere
	if !(shape >= least && rate > 0) {
		return Risk{}, fmt.Errorf("shape %v and rate %v: shape is at least %v, rate larger than 0", shape, rate, least)
	}
	accept, err := guarded(u, spec, guard)
	if err != nil {
		return Risk{}, err
	}
	bad := 0.0
	if spec.Low > 0 {
		bad += mathext.GammaIncReg(shape, rate*spec.Low)
	}
	if !math.IsNaN(spec.High) {
		bad += mathext.GammaIncRegComp(shape, rate*max(spec.High, 0))
	}
	prior := distuv.Gamma{Alpha: shape, Beta: rate}
	// With no unit conforming, every accepted one is a false accept.
	all, _ := limits.Risk(prior, u, limits.Interval{Low: math.Inf(1), High: math.Inf(1)}, accept)
	return risk(prior, u, spec, accept, bad, all), nil
}

func guarded(u float64, spec limits.Interval, guard float64) (limits.Interval, error) {
	if !(u >= 0) {
		return spec, fmt.Errorf("u %v is negative", u)
	}
	if math.IsNaN(spec.Low) && math.IsNaN(spec.High) {
		return spec, fmt.Errorf("without a limit nothing can be accepted or rejected falsely: give the lower, the upper or both")
	}
	if spec.Low >= spec.High {
		return spec, fmt.Errorf("the lower limit %v is not below the upper limit %v", spec.Low, spec.High)
	}
	return limits.Interval{Low: spec.Low + guard, High: spec.High - guard}, nil
}

func risk(prior limits.Prior, u float64, spec, accept limits.Interval, bad, all float64) Risk {
	consumer, producer := limits.Risk(prior, u, spec, accept)
	return Risk{head("risk"), Number(consumer), Number(producer), Number(ratio(consumer, all)), Number(bad), Number(all)}
}

// tails is the share of a normal distribution outside an interval. They are
// added rather than taken from 1, so that a small share keeps its digits.
func tails(mean, sd float64, i limits.Interval) float64 {
	if sd == 0 || i.Low > i.High {
		return 1 - inside(mean, sd, i)
	}
	n, p := distuv.UnitNormal, 0.0
	if !math.IsNaN(i.Low) {
		p += n.CDF((i.Low - mean) / sd)
	}
	if !math.IsNaN(i.High) {
		p += n.CDF((mean - i.High) / sd)
	}
	return p
}

// inside is the share of a normal distribution inside an interval.
func inside(mean, sd float64, i limits.Interval) float64 {
	if sd == 0 {
		if mean < i.Low || mean > i.High || i.Low > i.High {
			return 0
		}
		return 1
	}
	a, b := (i.Low-mean)/sd, (i.High-mean)/sd
	if math.IsNaN(a) {
		a = math.Inf(-1)
	}
	if math.IsNaN(b) {
		b = math.Inf(1)
	}
	return between(a, b)
}

// Conformity is the probability that the true value conforms, given one
// measured value.
type Conformity struct {
	Head
	Conforming Number `json:"conforming"`
}

// NewConformity takes a measured value with its standard uncertainty u,
// normal, with no knowledge from before (JCGM 106:2012, 7.2 to 7.4).
func NewConformity(value, u float64, spec limits.Interval) (Conformity, error) {
	if _, err := guarded(u, spec, 0); err != nil {
		return Conformity{}, err
	}
	return Conformity{head("risk"), Number(inside(value, u, spec))}, nil
}
