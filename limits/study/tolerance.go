package study

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// ToleranceOptions say which tolerance interval is wanted: one that holds the
// share Coverage of the population, with that Confidence, on one side or two.
type ToleranceOptions struct {
	Coverage, Confidence float64
	Sides                int    // 1 or 2
	Method               string // exact, howe or free
}

// Tolerance is a statistical tolerance interval, or with one side the lower
// bound and the upper, each for itself. A normal one is mean ± K·sd.
type Tolerance struct {
	Head
	N          int    `json:"n"`
	Coverage   Number `json:"coverage"`
	Confidence Number `json:"confidence"`
	Sides      int    `json:"sides"`
	Method     string `json:"method"`
	K          Number `json:"k"`
	Lower      Number `json:"lower"`
	Upper      Number `json:"upper"`
	R          *int   `json:"r"`        // free: Lower is the r-th smallest value, Upper the r-th largest
	Achieved   Number `json:"achieved"` // free: the confidence reached
}

func (o ToleranceOptions) check() error {
	switch {
	case !(o.Coverage > 0 && o.Coverage < 1):
		return fmt.Errorf("coverage %v is not between 0 and 1", o.Coverage)
	case !(o.Confidence > 0 && o.Confidence < 1):
		return fmt.Errorf("confidence %v is not between 0 and 1", o.Confidence)
	case o.Sides != 1 && o.Sides != 2:
		return fmt.Errorf("%d sides: 1 or 2", o.Sides)
	}
	return nil
}

// NormalTolerance is for n normal values of which mean and standard deviation
// are known; NaN leaves the bounds undefined. Exact one-sided factors are
// quantiles of the noncentral t distribution, exact two-sided ones integrate
// over the mean (ISO 16269-6:2014). howe is the approximation of W. G. Howe
// (JASA 64 (1969) 610) without its term for small samples, and with one side
// that of M. G. Natrella (NBS Handbook 91 (1963), 2-5).
func NormalTolerance(n int, mean, sd float64, o ToleranceOptions) (Tolerance, error) {
	if err := o.check(); err != nil {
		return Tolerance{}, err
	}
	if n < 2 {
		return Tolerance{}, fmt.Errorf("a tolerance interval needs at least 2 values, not %d", n)
	}
	var k float64
	switch {
	case o.Method == "exact" && o.Sides == 1:
		k = exactOneSided(n, o.Coverage, o.Confidence)
	case o.Method == "exact":
		k = exactTwoSided(n, o.Coverage, o.Confidence)
	case o.Method == "howe" && o.Sides == 1:
		k = natrella(n, o.Coverage, o.Confidence)
	case o.Method == "howe":
		v := float64(n)
		k = distuv.UnitNormal.Quantile((1+o.Coverage)/2) * math.Sqrt((v-1)*(1+1/v)/chiSquare(1-o.Confidence, v-1))
	default:
		return Tolerance{}, fmt.Errorf("there is no method %q for a normal sample: exact or howe", o.Method)
	}
	if math.IsNaN(k) || math.IsInf(k, 0) {
		return Tolerance{}, fmt.Errorf("the method %s gives no factor for %d values: take more, or the method exact", o.Method, n)
	}
	return Tolerance{head("tolerance"), n, Number(o.Coverage), Number(o.Confidence), o.Sides, o.Method,
		Number(k), Number(mean - k*sd), Number(mean + k*sd), nil, undefined()}, nil
}

func natrella(n int, coverage, confidence float64) float64 {
	zp, zc := distuv.UnitNormal.Quantile(coverage), distuv.UnitNormal.Quantile(confidence)
	a := 1 - zc*zc/(2*float64(n-1))
	b := zp*zp - zc*zc/float64(n)
	if a <= 0 {
		return math.NaN()
	}
	return (zp + math.Sqrt(zp*zp-a*b)) / a
}

// SampleTolerance is for a sample; the method free takes nothing for granted
// but independent values of one continuous distribution (S. S. Wilks, Annals
// of Mathematical Statistics 12 (1941) 91). Too few values are an error that
// names the number wanted.
func SampleTolerance(s Sample, o ToleranceOptions) (Tolerance, error) {
	if o.Method != "free" {
		return NormalTolerance(s.Len(), s.mean(), s.sd(), o)
	}
	t, err := FreeTolerance(s.Len(), o)
	if err != nil {
		return Tolerance{}, err
	}
	x := slices.Sorted(slices.Values(s.values))
	t.Lower, t.Upper = Number(x[*t.R-1]), Number(x[len(x)-*t.R])
	return t, nil
}

// FreeTolerance is [SampleTolerance] with the method free for n values that
// are yet to be measured: it tells which of them, and leaves bounds undefined.
func FreeTolerance(n int, o ToleranceOptions) (Tolerance, error) {
	if err := o.check(); err != nil {
		return Tolerance{}, err
	}
	// The largest r with confidence: the reached one falls with r.
	low, high := 0, n/o.Sides+1
	for high-low > 1 {
		if mid := (low + high) / 2; reached(n, mid, o) >= o.Confidence {
			low = mid
		} else {
			high = mid
		}
	}
	if low == 0 {
		return Tolerance{}, fmt.Errorf("%d values are too few for coverage %v with confidence %v without a distribution: it takes %d",
			n, o.Coverage, o.Confidence, wanted(o))
	}
	return Tolerance{head("tolerance"), n, Number(o.Coverage), Number(o.Confidence), o.Sides, o.Method,
		undefined(), undefined(), undefined(), &low, Number(reached(n, low, o))}, nil
}

// reached is the confidence of the r-th values from the ends. On each side r
// of n + 1 equal shares of the population are expected to lie outside.
func reached(n, r int, o ToleranceOptions) float64 {
	outside := float64(r * o.Sides)
	inside := float64(n+1) - outside
	if inside <= 0 {
		return 0
	}
	return mathext.RegIncBeta(outside, inside, 1-o.Coverage)
}

// wanted is how many values a bound without a distribution takes, at most 2⁴⁰.
func wanted(o ToleranceOptions) int {
	const most = 1 << 40
	high := o.Sides
	for reached(high, 1, o) < o.Confidence {
		if high *= 2; high >= most {
			return most
		}
	}
	low := high / 2
	for high-low > 1 {
		if mid := (low + high) / 2; reached(mid, 1, o) >= o.Confidence {
			high = mid
		} else {
			low = mid
		}
	}
	return high
}
