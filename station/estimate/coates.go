package estimate

import "math"

// Coates undoes first-photon pile-up: counts[b] of shots saw their first
// photon in bin b, and rate[b] = ln(n/(n−h)) with n the shots still at risk
// is the mean of photons per shot in bin b, with var[b] = h/(n(n−h)). The
// rate is +Inf where every shot at risk fired and NaN where none was at risk;
// the variance is NaN in both cases. Rates of different bins are uncorrelated
// to first order. rate and variance have the length of counts.
//
// Source: P. B. Coates, J. Phys. E 1, 878 (1968); variance: one term of
// Greenwood's sum (1926).
func Coates(shots int64, counts []uint32, rate, variance []float64) {
	n := float64(shots)
	for b, c := range counts {
		h := float64(c)
		switch {
		case n <= 0:
			rate[b], variance[b] = math.NaN(), math.NaN()
		case h >= n:
			rate[b], variance[b] = math.Inf(1), math.NaN()
		default:
			rate[b], variance[b] = -math.Log1p(-h/n), h/(n*(n-h))
		}
		n -= h
	}
}

// exposure returns the number of shots N for which a Poisson count of mean
// N·rate has the same score as h first photons out of n shots at risk:
// h/rate − N = h/(e^rate − 1) − (n − h). It depends on the rate so weakly
// that iterating on it converges in a few rounds, and lets one formula serve
// both kinds of detector.
func exposure(n, h, rate float64) float64 {
	if rate < 0.3 {
		q := rate * rate
		return n - h*(0.5+rate*(1./12-q*(1./720-q/30240)))
	}
	return n - h*(1-1/rate+1/math.Expm1(rate))
}

// grown is e^rate − 1, of which a few terms are enough for most bins.
func grown(rate float64) float64 {
	if rate < 0.01 && rate > -0.01 {
		return rate * (1 + rate/2*(1+rate/3*(1+rate/4)))
	}
	return math.Expm1(rate)
}

// firstPhotonLog is the log likelihood of h first photons out of n at risk.
func firstPhotonLog(n, h, rate float64) float64 {
	l := -(n - h) * rate
	if h > 0 {
		if rate < 0.3 {
			q := rate * rate
			l += h * (math.Log(rate) - rate/2 + q*(1./24-q*(1./2880-q/181440)))
		} else {
			l += h * math.Log(-math.Expm1(-rate))
		}
	}
	return l
}
