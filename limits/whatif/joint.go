package whatif

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// sums are shares of units, times their number, of those that conform, are
// accepted, and both; and squares of the two that are false, for their scatter.
type sums struct {
	n, good, accepted, both float64
	accept2, reject2        float64
}

func (s *sums) unit(good, accepted, both float64) {
	s.n++
	s.good += good
	s.accepted += accepted
	s.both += both
	a, r := accepted-both, good-both
	s.accept2 += a * a
	s.reject2 += r * r
}

// widen takes in that the units' own variance was found as a difference: what is
// left of it after drawing towards the mean scatters by 1/shrink² more.
func (s *sums) widen(shrink float64) {
	if s.n == 0 || !(shrink > 0) {
		return
	}
	f := 1 / (shrink * shrink * shrink * shrink)
	a, r := s.n*square((s.accepted-s.both)/s.n), s.n*square((s.good-s.both)/s.n)
	s.accept2, s.reject2 = a+f*(s.accept2-a), r+f*(s.reject2-r)
}

func square(x float64) float64 { return x * x }

func (s *sums) plus(o sums) {
	s.n += o.n
	s.good += o.good
	s.accepted += o.accepted
	s.both += o.both
	s.accept2 += o.accept2
	s.reject2 += o.reject2
}

// effect is what a limit does at one guard factor: as resolved, and as if all
// scatter were the units' own.
type effect struct {
	is, widest sums
	resolved   bool
}

func (e *effect) plus(o effect) {
	e.is.plus(o.is)
	e.widest.plus(o.widest)
	e.resolved = e.resolved && o.resolved
}

// joint is what several limits do together, each independent of the others.
type joint struct {
	good, accepted, both float64 // products over the limits
	accept, reject       float64 // variances, summed
	none                 float64 // what may still be where nothing was seen
}

func (j *joint) times(s sums) {
	if s.n == 0 {
		return
	}
	j.good *= s.good / s.n
	j.accepted *= s.accepted / s.n
	j.both *= s.both / s.n
	a, r := (s.accepted-s.both)/s.n, (s.good-s.both)/s.n
	j.accept += (s.accept2/s.n - a*a) / s.n
	j.reject += (s.reject2/s.n - r*r) / s.n
	if 3/s.n > j.none {
		j.none = 3 / s.n
	}
}

func newJoint() joint { return joint{good: 1, accepted: 1, both: 1} }

const twoSided = 1.959963984540054 // 95 %, normal

// shares are the two risks with their bounds. wide is the same of what is not
// resolved.
func (j *joint) shares(wide joint) (accept, reject Share) {
	one := func(v, w, variance, none float64) Share {
		v, w = max(v, 0), max(w, 0)
		low, high := min(v, w), max(v, w)
		if v > 0 && v < 1 && variance > 0 {
			// As Wilson's interval of a share that scatters like that: one that is
			// small is not as far below as above.
			n := v * (1 - v) / variance
			low, _ = wilson(low, n)
			_, high = wilson(high, n)
		}
		if high < none && v < none {
			high = max(high, none)
		}
		return Share{Number(v), Number(low), Number(min(high, 1))}
	}
	return one(j.accepted-j.both, wide.accepted-wide.both, j.accept, j.none), one(j.good-j.both, wide.good-wide.both, j.reject, j.none)
}

// wilson is the interval of 95 % of a share found among n (E. B. Wilson, JASA 22
// (1927) 209).
func wilson(p, n float64) (low, high float64) {
	const z2 = twoSided * twoSided
	middle, half := p+z2/(2*n), twoSided*math.Sqrt(p*(1-p)/n+z2/(4*n*n))
	return max(0, (middle-half)/(1+z2/n)), min(1, (middle+half)/(1+z2/n))
}

// inside is the share of a normal distribution inside an interval.
func inside(x, sd, low, high float64) float64 {
	const far = 9
	switch {
	case low > high:
		return 0
	case !(sd > 0):
		if x < low || x > high {
			return 0
		}
		return 1
	case x-low > far*sd && high-x > far*sd:
		return 1
	case low-x > far*sd || x-high > far*sd:
		return 0
	}
	n := distuv.UnitNormal
	a, b := (low-x)/sd, (high-x)/sd
	if a > 0 {
		a, b = -b, -a
	}
	return max(n.CDF(b)-n.CDF(a), 0)
}
