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
// is accepted if the measured value lies in accept; nothing lies in an
// interval whose limits cross. Shares are good to about ten digits for smooth
// priors.
func Risk(prior Prior, u float64, spec, accept Interval) (consumer, producer float64) {
	spec, accept = spec.closed(), accept.closed()
	// Between neighbouring points the integrand is smooth and does not
	// change on a scale much finer than their distance.
	points := []float64{spec.Low, spec.High}
	const least = 1e-15
	middle := prior.Quantile(0.5)
	first, last := prior.Quantile(least), prior.Quantile(1-least)
	// Rare risks live in the far tails: go on while there is a density.
	first = reach(prior, first, (first-middle)/8)
	last = reach(prior, last, (last-middle)/8)
	points = append(points, first, last)
	for _, p := range []float64{least, 1e-12, 1e-9, 1e-6, 1e-3, 0.1, 0.5, 0.9, 1 - 1e-3, 1 - 1e-6, 1 - 1e-9, 1 - 1e-12, 1 - least} {
		points = append(points, prior.Quantile(p))
	}
	for _, n := range []float64{-9, -6, -3, 0, 3, 6, 9} {
		points = append(points, accept.Low+n*u, accept.High+n*u)
	}
	points = slices.DeleteFunc(points, func(x float64) bool { return !(x >= first && x <= last) })
	slices.Sort(points)
	points = slices.Compact(points)
	budget := 2000
	for i := 1; i < len(points); i++ {
		a, b := points[i-1], points[i]
		if a+b > 2*spec.Low && a+b < 2*spec.High {
			producer += integral(prior, func(x float64) float64 { return accept.outside(x, u) }, a, b, &budget)
		} else {
			consumer += integral(prior, func(x float64) float64 { return accept.inside(x, u) }, a, b, &budget)
		}
	}
	return consumer, producer
}

// reach goes on from x in steps as long as the prior has a density there.
func reach(prior Prior, x, step float64) float64 {
	const most = 64
	for range most {
		if p := prior.Prob(x + step); !(p > 0) || math.IsInf(p, 0) {
			break
		}
		x += step
	}
	return x
}

// integral takes prior·chance from a to b, and halves the interval until
// that changes nothing but what the rounding of chance may change. The budget
// of halvings is there for priors that are not smooth.
func integral(prior Prior, chance func(float64) float64, a, b float64, budget *int) float64 {
	const nodes = 24
	product := func(x float64) float64 { return prior.Prob(x) * chance(x) }
	middle := a + (b-a)/2
	whole := quad.Fixed(product, a, b, nodes, quad.Legendre{}, 0)
	left := quad.Fixed(product, a, middle, nodes, quad.Legendre{}, 0)
	right := quad.Fixed(product, middle, b, nodes, quad.Legendre{}, 0)
	rounding := 1e-15 * quad.Fixed(prior.Prob, a, b, nodes, quad.Legendre{}, 0)
	if off := math.Abs(left + right - whole); !(off > 1e-12*math.Abs(whole)+rounding) || *budget == 0 {
		return left + right
	}
	*budget--
	return integral(prior, chance, a, middle, budget) + integral(prior, chance, middle, b, budget)
}

// inside is the chance that the measured value lies in the interval where
// the true value is x. The tail is taken that keeps its digits.
func (i Interval) inside(x, u float64) float64 {
	if !(u > 0) {
		if x < i.Low || x > i.High || i.Low > i.High {
			return 0
		}
		return 1
	}
	n := distuv.UnitNormal
	a, b := (i.Low-x)/u, (i.High-x)/u
	if a > 0 {
		a, b = -b, -a
	}
	return max(n.CDF(b)-n.CDF(a), 0)
}

// outside is 1 − inside.
func (i Interval) outside(x, u float64) float64 {
	if !(u > 0) || i.Low > i.High {
		return 1 - i.inside(x, u)
	}
	n := distuv.UnitNormal
	return n.CDF((i.Low-x)/u) + n.CDF((x-i.High)/u)
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
