package study

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// exactOneSided is t'/√n, where t' is the quantile of the noncentral t
// distribution with n − 1 degrees of freedom and noncentrality z·√n. With
// s = √(χ²/ν), P(T ≤ t) is the mean over s of Φ(t·s − δ).
func exactOneSided(n int, coverage, confidence float64) float64 {
	root := math.Sqrt(float64(n))
	delta := distuv.UnitNormal.Quantile(coverage) * root
	s := newChi(float64(n - 1))
	t := solve(func(t float64) float64 {
		points := slices.Clone(s.points)
		if t != 0 {
			// Φ turns from 0 to 1 within a few 1/t of δ/t.
			for _, z := range []float64{-9, -6, -3, 0, 3, 6, 9} {
				points = append(points, (delta+z)/t)
			}
		}
		return integrate(func(x float64) float64 { return s.density(x) * distuv.UnitNormal.CDF(t*x-delta) }, points, s.first, s.last)
	}, confidence, delta)
	return t / root
}

// exactTwoSided is the k for which the mean over sample means x of
// P(k·s ≥ r(x)) is the confidence, where x ± r(x) holds the coverage.
func exactTwoSided(n int, coverage, confidence float64) float64 {
	root, df := math.Sqrt(float64(n)), float64(n-1)
	// Half-widths do not depend on k: each is sought once, on fixed nodes.
	const pieces, nodes = 6, 40
	const widest = 9.0 // standard errors of the mean
	x, w := make([]float64, pieces*nodes), make([]float64, pieces*nodes)
	for i := range pieces {
		quad.Legendre{}.FixedLocations(x[i*nodes:(i+1)*nodes], w[i*nodes:(i+1)*nodes], widest*float64(i)/pieces, widest*float64(i+1)/pieces)
	}
	r := make([]float64, len(x))
	for i := range x {
		r[i] = halfWidth(x[i]/root, coverage)
		w[i] *= 2 * distuv.UnitNormal.Prob(x[i])
	}
	chi := distuv.ChiSquared{K: df}
	start := distuv.UnitNormal.Quantile((1 + coverage) / 2)
	return solve(func(k float64) float64 {
		if k <= 0 {
			return 0
		}
		p := make([]float64, len(x))
		for i := range x {
			q := r[i] / k
			p[i] = chi.Survival(df * q * q)
		}
		return sumProducts(w, p)
	}, confidence, start)
}

// halfWidth is r with Φ(x + r) − Φ(x − r) = coverage, x not negative.
func halfWidth(x, coverage float64) float64 {
	return solve(func(r float64) float64 { return between(x-r, x+r) }, coverage, x+1)
}

// between is Φ(b) − Φ(a), from the tail that keeps its digits.
func between(a, b float64) float64 {
	if b <= a {
		return 0
	}
	if a > 0 {
		a, b = -b, -a
	}
	return distuv.UnitNormal.CDF(b) - distuv.UnitNormal.CDF(a)
}

// chi is the distribution of s = √(χ²/df).
type chi struct {
	df, log     float64 // logarithm of the density's constant factor
	first, last float64 // all but 1e-18 lies between
	points      []float64
}

func newChi(df float64) *chi {
	lg, _ := math.Lgamma(df / 2)
	c := &chi{df: df, log: math.Ln2 + df/2*math.Log(df/2) - lg}
	quantile := func(z float64) float64 { // Wilson and Hilferty's: places the nodes only
		v := 2 / (9 * df)
		return math.Sqrt(math.Pow(max(1-v+z*math.Sqrt(v), 0), 3))
	}
	for z := -10.0; z <= 10; z += 2 {
		c.points = append(c.points, quantile(z))
	}
	c.first, c.last = c.points[0], quantile(14)
	if df < 4 { // the density starts at 0, and its tail is normal
		c.first, c.last = 0, quantile(14)+10/math.Sqrt(df)
	}
	c.points = append(c.points, c.first, c.last)
	return c
}

func (c *chi) density(s float64) float64 {
	if s <= 0 {
		if c.df == 1 && s == 0 {
			return math.Exp(c.log)
		}
		return 0
	}
	return math.Exp(c.log + (c.df-1)*math.Log(s) - c.df*s*s/2)
}

// integrate takes f smooth between neighbouring points, from first to last.
func integrate(f func(float64) float64, points []float64, first, last float64) float64 {
	points = slices.DeleteFunc(points, func(x float64) bool { return !(x >= first && x <= last) })
	slices.Sort(points)
	points = slices.Compact(points)
	const nodes = 32
	sum := 0.0
	for i := 1; i < len(points); i++ {
		sum += quad.Fixed(f, points[i-1], points[i], nodes, quad.Legendre{}, 0)
	}
	return sum
}

// solve finds x with f(x) = want for an f that does not fall, starting a
// search at x; NaN where there is none.
func solve(f func(float64) float64, want, x float64) float64 {
	off := func(x float64) float64 { return f(x) - want }
	low, high := x, x
	below, above := off(x), off(x)
	step := max(math.Abs(x), 1) / 8
	for range 200 {
		switch {
		case below >= 0:
			high, above = low, below
			low -= step
			below = off(low)
		case above < 0:
			low, below = high, above
			high += step
			above = off(high)
		default:
			return brent(off, low, high, below, above)
		}
		step *= 2
	}
	return math.NaN()
}

// brent is R. P. Brent's zero finder (The Computer Journal 14 (1971) 422):
// inverse quadratic steps, bisection where they do not serve. It ends within
// a few units of the last place.
func brent(f func(float64) float64, a, b, fa, fb float64) float64 {
	c, fc := a, fa
	d := b - a
	e := d
	for {
		if math.Abs(fc) < math.Abs(fb) {
			a, b, c = b, c, b
			fa, fb, fc = fb, fc, fb
		}
		const unit = 0x1p-52
		tolerance := unit * math.Abs(b)
		half := (c - b) / 2
		if math.Abs(half) <= tolerance || fb == 0 {
			return b
		}
		if math.Abs(e) < tolerance || math.Abs(fa) <= math.Abs(fb) {
			d, e = half, half
		} else {
			var p, q float64
			s := fb / fa
			if a == c {
				p, q = 2*half*s, 1-s
			} else {
				q = fa / fc
				r := fb / fc
				p = s * (2*half*q*(q-r) - (b-a)*(r-1))
				q = (q - 1) * (r - 1) * (s - 1)
			}
			if p > 0 {
				q = -q
			}
			p = math.Abs(p)
			if 2*p < min(3*half*q-math.Abs(tolerance*q), math.Abs(e*q)) {
				e, d = d, p/q
			} else {
				d, e = half, half
			}
		}
		a, fa = b, fb
		if math.Abs(d) > tolerance {
			b += d
		} else {
			b += math.Copysign(max(tolerance, math.SmallestNonzeroFloat64), half)
		}
		fb = f(b)
		if (fb > 0) == (fc > 0) {
			c, fc = a, fa
			d = b - a
			e = d
		}
	}
}
