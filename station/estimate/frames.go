package estimate

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// frames is what the dispersion test says of a capture.
type frames struct {
	bad    bool
	zones  []int   // that disagree by themselves; nil where the whole does
	excess float64 // relative sd between frames beyond counting, 0 where none shows
}

// checkFrames tests a capture's frame totals against counting noise. The null
// of a zone is Poisson, for a first-photon unit binomial. Too variable: the
// index of dispersion of a zone, or of all zones together, or a linear trend,
// is out at the family-wise chance *and* the lower 95 % bound of the excess
// relative sd is above the allowance. Too regular: the sum of the zones'
// indices lies in the lower tail below 1e-4, as averaged or repeated frames do.
//
// Source of the index: R. A. Fisher's index of dispersion, D = Σ(x−m)²/m ~
// χ²(n−1); bounds from the noncentral χ² by Patnaik's two moments.
func (e *Estimator) checkFrames(h Histogram, flagged func(int) bool) frames {
	var out frames
	nf := len(h.FrameTotals)
	if nf < 2 {
		return out
	}
	shots := float64(h.Shots) / float64(nf)
	series := make([]float64, nf)
	whole := make([]float64, nf)
	var wholeVar float64
	tests := float64(2 * (e.zones + 1))
	var sumD, sumDF float64
	used := 0
	for z := range e.zones {
		if flagged(z) {
			continue
		}
		mean := 0.0
		for f, fr := range h.FrameTotals {
			series[f] = float64(fr[z])
			whole[f] += series[f]
			mean += series[f] / float64(nf)
		}
		v := mean
		if e.first {
			v *= max(0, 1-mean/shots)
		}
		wholeVar += v
		used++
		if mean < 5 || !(v > 0) { // χ² is no law for so few counts
			continue
		}
		d := dispersion(series, mean, v)
		sumD += d.index
		sumDF += float64(nf - 1)
		if mean >= 25 && d.bad(e.setup.Checks, tests) { // far out in its tail the law needs more of them
			out.bad = true
			out.zones = append(out.zones, z)
		}
	}
	if used == 0 {
		return out
	}
	mean := 0.0
	for _, w := range whole {
		mean += w / float64(nf)
	}
	if mean >= 25 && wholeVar > 0 {
		d := dispersion(whole, mean, wholeVar)
		out.excess = d.excess
		if d.bad(e.setup.Checks, tests) {
			out.bad = true
			out.zones = nil
		}
	}
	if sumDF > 0 && lowerTail(sumD, sumDF) < 1e-4 {
		out.bad = true
		out.zones = nil
	}
	return out
}

// dispersed is one series of frames.
type dispersed struct {
	index, df    float64
	pIndex       float64
	pTrend       float64
	low, lowTend float64 // lower 95 % bounds of the excess relative sd
	excess       float64
}

func (d dispersed) bad(c Checks, tests float64) bool {
	p := c.FamilyWise / tests
	return d.pIndex < p && d.low > c.FrameExcess || d.pTrend < p && d.lowTend > c.FrameExcess
}

func dispersion(x []float64, mean, variance float64) dispersed {
	n := float64(len(x))
	d := dispersed{df: n - 1}
	var slope, stt float64
	for i, v := range x {
		t := float64(i) - (n-1)/2
		d.index += (v - mean) * (v - mean) / variance
		slope += t * (v - mean)
		stt += t * t
	}
	d.pIndex = mathext.GammaIncRegComp(d.df/2, d.index/2)
	rel := mean * mean / variance // excess relative variance of one count's variance
	d.low = math.Sqrt(lowNoncentral(d.index, d.df) / d.df / rel)
	d.excess = math.Sqrt(max(0, d.index-d.df) / d.df / rel)
	trend := math.Abs(slope) / math.Sqrt(stt*variance)
	d.pTrend = math.Erfc(trend / math.Sqrt2)
	d.lowTend = math.Sqrt(max(0, trend-1.6448536269514722) * max(0, trend-1.6448536269514722) / d.df / rel)
	return d
}

// lowNoncentral returns the lower 95 % bound of the noncentrality that gives
// a χ² of df degrees the value d: the λ with P(χ'²(df, λ) ≥ d) = 0.05, 0 where
// even λ = 0 exceeds that.
func lowNoncentral(d, df float64) float64 {
	upper := func(l float64) float64 {
		k := (df + 2*l) / (df + l)
		return mathext.GammaIncRegComp((df+l)/k/2, d/k/2)
	}
	if upper(0) >= 0.05 {
		return 0
	}
	lo, hi := 0.0, d
	for range 60 {
		mid := (lo + hi) / 2
		if upper(mid) < 0.05 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

// lowerTail is the chance of an index of dispersion of d or less.
func lowerTail(d, df float64) float64 { return mathext.GammaIncReg(df/2, d/2) }
