package study

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Spread holds the indices of a process of any shape, by percentiles: ISO
// 22514-2:2017, with the 0.135 %, 50 % and 99.865 % points in place of the mean
// and six standard deviations. Of a normal process they are pp, ppl, ppu and ppk.
type Spread struct {
	Low    Number `json:"p0_135"`
	Median Number `json:"p50"`
	High   Number `json:"p99_865"`
	Pp     Bounds `json:"pp"`
	Ppl    Bounds `json:"ppl"`
	Ppu    Bounds `json:"ppu"`
	Ppk    Bounds `json:"ppk"`
}

// tail is the share of a normal distribution beyond three standard deviations.
const tail = 0.0013498980316300946

// Percentiles works them out for the specification limits; NaN is no limit. The
// bounds are of values between which each percentile lies with that confidence,
// whatever the distribution (order statistics, binomial); where the sample has
// none they are undefined, as below some 1,500 values at 95 %.
func Percentiles(s Sample, low, high, confidence float64) Spread {
	x := slices.Sorted(slices.Values(s.values))
	at := func(p float64) (v, lower, upper float64) {
		lower, upper = around(x, p, confidence)
		return quantile(x, p, 8), lower, upper
	}
	l, lLow, lHigh := at(tail)
	m, mLow, mHigh := at(0.5)
	h, hLow, hHigh := at(1 - tail)
	of := func(a, b, aLow, bLow, aHigh, bHigh float64) Bounds {
		return Bounds{Number(ratio(a, b)), Number(ratio(aLow, bLow)), Number(ratio(aHigh, bHigh))}
	}
	sp := Spread{Low: Number(l), Median: Number(m), High: Number(h)}
	sp.Pp = of(high-low, h-l, high-low, hHigh-lLow, high-low, hLow-lHigh)
	sp.Ppl = of(m-low, m-l, mLow-low, mLow-lLow, mHigh-low, mHigh-lHigh)
	sp.Ppu = of(high-m, h-m, high-mHigh, hHigh-mHigh, high-mLow, hLow-mLow)
	sp.Ppk = sp.Ppl
	if math.IsNaN(float64(sp.Ppl.Value)) || sp.Ppu.Value < sp.Ppl.Value {
		sp.Ppk = sp.Ppu
	}
	return sp
}

// around gives the two of sorted values between which the p-th percentile lies
// with a confidence, half of the rest on each side; NaN where there is none.
func around(x []float64, p, confidence float64) (low, high float64) {
	n, half := len(x), (1-confidence)/2
	// The r-th of n lies below the percentile with the chance that at least r of
	// them do, which is an incomplete beta.
	below := func(r int) float64 { return mathext.RegIncBeta(float64(r), float64(n-r+1), p) }
	low, high = math.NaN(), math.NaN()
	if r, ok := last(n, func(r int) bool { return below(r) >= 1-half }); ok {
		low = x[r-1]
	}
	if r, ok := last(n, func(r int) bool { return below(r) > half }); ok && r < n {
		high = x[r]
	} else if !ok && n > 0 {
		high = x[0]
	}
	return low, high
}

// last is the largest r from 1 to n that holds, of those that hold up to it.
func last(n int, holds func(int) bool) (r int, ok bool) {
	low, high := 0, n+1
	for high-low > 1 {
		if mid := (low + high) / 2; holds(mid) {
			low = mid
		} else {
			high = mid
		}
	}
	return low, low > 0
}

// Normality is the test of T. W. Anderson and D. A. Darling (JASA 49 (1954)
// 765) for a normal distribution with mean and standard deviation from the
// sample: the statistic with the correction for small samples and its p, after
// R. B. D'Agostino and M. A. Stephens, Goodness-of-Fit Techniques (1986), table
// 4.9. It is undefined below 8 values, and where all are equal.
func Normality(s Sample) (statistic, p Number) {
	x := slices.Sorted(slices.Values(s.values))
	n, m, sd := len(x), s.mean(), s.sd()
	if n < 8 || !(sd > 0) {
		return undefined(), undefined()
	}
	sum := 0.0
	for i, v := range x {
		z, w := (v-m)/sd, (x[n-1-i]-m)/sd
		// Tails by themselves keep their digits.
		sum += float64(2*i+1) * (math.Log(max(distuv.UnitNormal.CDF(z), 1e-300)) + math.Log(max(distuv.UnitNormal.CDF(-w), 1e-300)))
	}
	N := float64(n)
	a := (-N - sum/N) * (1 + 0.75/N + 2.25/(N*N))
	switch {
	case a >= 0.6:
		p = Number(math.Exp(1.2937 - 5.709*a + 0.0186*a*a))
	case a >= 0.34:
		p = Number(math.Exp(0.9177 - 4.279*a - 1.38*a*a))
	case a >= 0.2:
		p = Number(1 - math.Exp(-8.318+42.796*a-59.938*a*a))
	default:
		p = Number(1 - math.Exp(-13.436+101.14*a-223.73*a*a))
	}
	if a > 13 { // the fit ends there
		p = 0
	}
	return Number(a), p
}

// falseAlarm is the chance that a stable process is called unstable.
const falseAlarm = 0.05

// Stable says whether a process shows itself stable: of 20 to 50 groups of values
// that follow one another none has a mean that the spread within groups does not
// explain, at a chance of 5 % of one false alarm. told is false where there are
// too few values to say, below 80.
func Stable(s Sample) (stable, told bool) {
	const least, most, size = 20, 50, 4
	n := s.Len()
	groups := min(most, n/size)
	if groups < least {
		return false, false
	}
	means, within, df := make([]float64, groups), 0.0, 0
	sizes := make([]float64, groups)
	for g := range groups {
		part := s.offsets[g*n/groups : (g+1)*n/groups]
		means[g], sizes[g] = mean(part), float64(len(part))
		within += squares(part)
		df += len(part) - 1
	}
	sd := math.Sqrt(within / float64(df))
	middle := mean(s.offsets)
	limit := distuv.UnitNormal.Quantile(1 - falseAlarm/float64(2*groups))
	for g := range means {
		if math.Abs(means[g]-middle) > limit*sd/math.Sqrt(sizes[g]) {
			return false, true
		}
	}
	return true, true
}
