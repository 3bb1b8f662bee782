package limits

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// Prior is what is known of the true value over all units before one is
// measured; the distributions of gonum's distuv are Priors.
type Prior interface {
	Prob(x float64) float64     // density
	Quantile(p float64) float64 // 0 < p < 1
}

// Interval is a pair of limits; an open side is NaN or infinite.
type Interval struct{ Low, High float64 }

// Risk gives the global risks of JCGM 106:2012, 9.5 for units whose true
// value follows prior and that are measured with normal error of standard
// uncertainty u: consumer is the share of all units that lie outside spec and
// are accepted, producer the share that lie inside and are rejected. A unit
// is accepted if the measured value lies in accept. Shares are good to about
// 1e-10 for smooth priors.
func Risk(prior Prior, u float64, spec, accept Interval) (consumer, producer float64) {
	spec, accept = spec.closed(), accept.closed()
	accepted := func(x float64) float64 {
		if !(u > 0) {
			if x < accept.Low || x > accept.High {
				return 0
			}
			return 1
		}
		n := distuv.UnitNormal
		return n.CDF((accept.High-x)/u) - n.CDF((accept.Low-x)/u)
	}
	// Between neighbouring points the integrand is smooth and does not
	// change on a scale much finer than their distance.
	points := []float64{spec.Low, spec.High}
	for _, p := range []float64{1e-15, 1e-6, 1e-3, 0.5, 1 - 1e-3, 1 - 1e-6, 1 - 1e-15} {
		points = append(points, prior.Quantile(p))
	}
	for _, n := range []float64{-9, -3, 0, 3, 9} {
		points = append(points, accept.Low+n*u, accept.High+n*u)
	}
	first, last := prior.Quantile(1e-15), prior.Quantile(1-1e-15)
	points = slices.DeleteFunc(points, func(x float64) bool { return !(x >= first && x <= last) })
	slices.Sort(points)
	points = slices.Compact(points)
	const nodes = 48
	for i := 1; i < len(points); i++ {
		a, b := points[i-1], points[i]
		inside := a+b > 2*spec.Low && a+b < 2*spec.High
		share := quad.Fixed(func(x float64) float64 {
			if inside {
				return prior.Prob(x) * (1 - accepted(x))
			}
			return prior.Prob(x) * accepted(x)
		}, a, b, nodes, quad.Legendre{}, 0)
		if inside {
			producer += share
		} else {
			consumer += share
		}
	}
	return consumer, producer
}

// closed replaces open sides by infinities.
func (i Interval) closed() Interval {
	if math.IsNaN(i.Low) {
		i.Low = math.Inf(-1)
	}
	if math.IsNaN(i.High) {
		i.High = math.Inf(1)
	}
	return i
}
