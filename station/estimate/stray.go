package estimate

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
)

// strayTest looks for a return where none should be: in every half bin, the
// match of the pulse with what ambient and one pulse leave of an empty
// capture. The match is a sum of counts with weights; its weights are free of
// the fitted ambient, size and delay, and of a pulse wider than the product's
// by the allowance; its variance holds counting noise and the allowance for
// unequal bins. Where it stands out, its chance is computed from the counting
// distribution itself (a saddle point of Poisson or binomial terms, after
// Lugannani and Rice 1980, in the form of Barndorff-Nielsen), because a sum
// of few counts is far from normal.
type strayTest struct {
	f, v0, v, mean    []float64 // response to a rate, counting variance, whole variance, expected count
	a, rho            []float64 // f²/v, f·residual/v
	col, w            [4][]float64
	z, den            []float64 // square of the match, variance
	coef              []float64
	g                 [16]float64
	n                 int // columns in use: ambient, size, delay, width
	h, unit, along    [4]float64
	alongNum          float64
	alongDen          float64
	leakFrom, leakEnd int
}

func newStrayTest(bins int) strayTest {
	f := func(n int) []float64 { return make([]float64, n) }
	t := strayTest{f: f(bins), v0: f(bins), v: f(bins), mean: f(bins), a: f(bins), rho: f(bins),
		z: f(phases * bins), den: f(phases * bins), coef: f(bins)}
	for i := range t.col {
		t.col[i], t.w[i] = f(bins), f(bins)
	}
	return t
}

// tail is the share of a pulse that may fall into any bin it reaches.
const tail = 1e-4

// counting fills expected counts, responses and counting variances for the
// rates of a fit (rate, delay, ambient) with a pulse of the given width, which
// it leaves in t.col[1].
func (t *strayTest) counting(e *Estimator, z *zone, fit [3]float64, width float64) {
	L, tau, a := fit[0], fit[1], fit[2]
	r := e.reached(tau, math.Abs(width-1)*max(-e.pulse.lo, e.pulse.hi))
	t.leakFrom, t.leakEnd = r[0], r[1]
	for i := 1; i < 4; i++ {
		clear(t.col[i])
		clear(t.w[i])
	}
	if L > 0 {
		e.pulse.bins(e.edges[r[0]:], tau, width, t.col[1][r[0]:r[1]], t.col[2][r[0]:r[1]])
		e.pulse.stretch(e.edges[r[0]:], tau, width, t.col[3][r[0]:r[1]])
	}
	// What few counts cannot prove is allowed for, so that a single photon is
	// no return: no count at all does not show that there is no ambient, hence
	// half a count in all on top; and no table is good to the end of its tails,
	// hence up to a tenth of a count in every bin that the pulse reaches and
	// in the next.
	a += 0.5 / (z.rt[0] * float64(max(1, e.bins-r[1]+r[0])))
	far := math.Exp(-a)
	for b, n := range z.rt {
		mu := a * e.wide[b]
		if L > 0 && b >= r[0]-1 && b <= r[1] {
			mu += L*t.col[1][b] + min(tail*L, 0.1/z.rt[0])
		}
		if !e.first {
			t.f[b], t.mean[b], t.v0[b] = n, n*mu, n*mu
			continue
		}
		q := far
		if mu != a {
			q = math.Exp(-mu)
		}
		t.f[b], t.mean[b], t.v0[b] = n*q, n*(1-q), n*(1-q)*q
	}
}

// roughness returns the robust scale² of the residuals in bins that no pulse
// reaches, in units of their counting variance, the mean number of counts
// that it comes from, and the number of bins; 0 bins where there are too few
// counts to tell.
func (t *strayTest) roughness(z *zone, reached [2]int, d []float64) (scale2, mean float64, bins int) {
	var sum float64
	n := 0
	for b := range z.y {
		if b >= reached[0] && b < reached[1] || !(t.v0[b] > 0) {
			continue
		}
		r := z.y[b] - t.mean[b]
		d[n] = r * r / t.v0[b]
		sum += t.mean[b]
		n++
	}
	if n < 8 || sum < 20*float64(n) {
		return 0, 0, 0
	}
	mean = sum / float64(n)
	// Squares above (1.5 s)² count as that: a stray cannot raise s² by much.
	const clip, share = 1.5 * 1.5, 0.7784652 // E min(z², clip) of a normal deviate
	scale2 = 1
	for range 30 {
		sum := 0.0
		for _, z2 := range d[:n] {
			sum += min(z2, clip*scale2)
		}
		next := sum / (share * float64(n))
		done := math.Abs(next-scale2) < 1e-4*scale2
		if scale2 = next; done {
			break
		}
	}
	return scale2, mean, n
}

// run returns the largest significance over all places, in sigmas of a
// normal deviate of the same chance, and the delay of that place. ambientVar
// is the relative variance of bins in the ambient, binVar in the leakage,
// allowed the sd of the width. Below floor a normal deviate is good enough.
func (t *strayTest) run(e *Estimator, z *zone, fit [3]float64, width, ambientVar, binVar, allowed, floor float64) (sigma, at float64) {
	t.counting(e, z, fit, width)
	L, a := fit[0], fit[2]
	t.n = 1
	if L > 0 {
		t.n = 3
		if allowed > 0 {
			t.n = 4
		}
	}
	for b := range z.y {
		rate := L * t.col[1][b]
		even := a * e.wide[b]
		t.v[b] = t.v0[b] + t.f[b]*t.f[b]*(ambientVar*even*even+binVar*rate*(rate+2*even))
		if !(t.v[b] > 0) {
			t.a[b], t.rho[b] = 0, 0
			continue
		}
		k := t.f[b] / t.v[b]
		t.a[b], t.rho[b] = k*t.f[b], k*(z.y[b]-t.mean[b])
		t.col[0][b] = e.wide[b]
	}
	if !t.columns(L, allowed) {
		return 0, math.NaN()
	}
	for b := range e.bins {
		for k := range phases {
			t.place(e, b, k)
		}
	}
	at = math.NaN()
	low := 0.0
	for i, z2 := range t.z {
		if z2 <= low || i > 0 && t.z[i-1] > z2 || i+1 < len(t.z) && t.z[i+1] > z2 {
			continue
		}
		z0 := math.Sqrt(z2)
		if z0 > floor {
			z0 = t.exact(e, z, i) + t.crest(i)
		} else {
			low = z2
		}
		if z0 > sigma {
			sigma, at = z0, e.delay(i/phases, i%phases)
		}
	}
	return sigma, at
}

// crest is how much higher than place i the match rises between places.
func (t *strayTest) crest(i int) float64 {
	if i == 0 || i+1 == len(t.z) || t.z[i-1] <= 0 || t.z[i+1] <= 0 {
		return 0
	}
	z := math.Sqrt(t.z[i])
	l, r := z-math.Sqrt(t.z[i-1]), z-math.Sqrt(t.z[i+1])
	if !(l+r > 0) {
		return 0
	}
	return (l - r) * (l - r) / (8 * (l + r))
}

// columns prepares the fitted directions: Gram matrix (with the prior of the
// width) and what the residuals have along them. All but the ambient are zero
// where the leakage does not reach.
func (t *strayTest) columns(L, width float64) bool {
	n := t.n
	lo, hi := t.leakFrom, t.leakEnd
	for i := 2; i < n; i++ {
		for b := lo; b < hi; b++ {
			t.col[i][b] *= L
		}
	}
	clear(t.h[:])
	for i := range n {
		from, to := lo, hi
		if i == 0 {
			from, to = 0, len(t.a)
		}
		col, w, a := t.col[i], t.w[i], t.a
		h := 0.0
		for b := from; b < to; b++ {
			w[b] = a[b] * col[b]
			h += col[b] * t.rho[b]
		}
		t.h[i] = h
		for j := range i + 1 {
			s := 0.0
			for b := from; b < to; b++ {
				s += w[b] * t.col[j][b]
			}
			t.g[i*n+j] = s
		}
	}
	if n == 4 {
		t.g[15] += 1 / (width * width)
	}
	for i := range n {
		if !(t.g[i*n+i] > 0) {
			return false
		}
		t.unit[i] = 1 / math.Sqrt(t.g[i*n+i])
	}
	for i := range n { // to a unit diagonal, so that one tolerance serves
		for j := range i + 1 {
			t.g[i*n+j] *= t.unit[i] * t.unit[j]
		}
		t.h[i] *= t.unit[i]
	}
	if !cholesky(t.g[:n*n], n) {
		return false
	}
	forward(t.g[:n*n], t.h[:n])
	// Most places meet the ambient alone: what its direction costs them.
	t.along = [4]float64{t.unit[0]}
	forward(t.g[:n*n], t.along[:n])
	t.alongNum, t.alongDen = 0, 0
	for i := range n {
		t.alongNum += t.along[i] * t.h[i]
		t.alongDen += t.along[i] * t.along[i]
	}
	return true
}

// place computes the match at place k of bin b.
func (t *strayTest) place(e *Estimator, b, k int) {
	c := &e.combs[k]
	lo := b + c.off
	j0, j1 := max(c.core, -lo), min(c.last, e.bins-lo)
	i := b*phases + k
	t.z[i], t.den[i] = 0, 0
	if j0 >= j1 {
		return
	}
	share := c.share[j0:j1]
	from, to := lo+j0, lo+j1
	rho := t.rho[from:to][:len(share)]
	var num, den float64
	alone := to <= t.leakFrom || from >= t.leakEnd
	if alone && !e.first && e.even() && j0 == c.core && j1 == c.last {
		// Every bin weighs the same.
		for j, p := range share {
			num += p * rho[j]
		}
		w := t.a[from]
		whole := w * c.square
		s := w * c.sum
		t.finish(i, num-s*t.alongNum, whole-s*s*t.alongDen, whole)
		return
	}
	a, w0 := t.a[from:to][:len(share)], t.w[0][from:to][:len(share)]
	ee := [4]float64{}
	for j, p := range share {
		num += p * rho[j]
		ee[0] += p * w0[j]
		den += p * p * a[j]
	}
	if alone {
		t.finish(i, num-ee[0]*t.alongNum, den-ee[0]*ee[0]*t.alongDen, den)
		return
	}
	n := t.n
	for i := 1; i < n; i++ {
		w := t.w[i][from:to][:len(share)]
		s := 0.0
		for j, p := range share {
			s += p * w[j]
		}
		ee[i] = s * t.unit[i]
	}
	ee[0] *= t.unit[0]
	forward(t.g[:n*n], ee[:n])
	whole := den
	for j := range n {
		num -= ee[j] * t.h[j]
		den -= ee[j] * ee[j]
	}
	t.finish(i, num, den, whole)
}

// finish keeps the square of a place's match where it is two sigmas or more.
// A place that the fit of the leakage explains by itself tests nothing.
func (t *strayTest) finish(i int, num, den, whole float64) {
	if t.den[i] = den; num > 0 && num*num > 4*den && den > 1e-3*whole {
		t.z[i] = num * num / den
	}
}

// exact returns the deviate of place i from the counting distribution.
func (t *strayTest) exact(e *Estimator, z *zone, i int) float64 {
	b, k := i/phases, i%phases
	c := &e.combs[k]
	n := t.n
	lo := b + c.off
	sol := [4]float64{}
	for j := range n {
		s := 0.0
		for q := c.core; q < c.last; q++ {
			if d := lo + q; d >= 0 && d < e.bins {
				s += c.share[q] * t.w[j][d]
			}
		}
		sol[j] = s * t.unit[j]
	}
	forward(t.g[:n*n], sol[:n])
	backward(t.g[:n*n], sol[:n])
	scale := 1 / math.Sqrt(t.den[i])
	var counted float64
	for d := range t.coef {
		v := 0.0
		if q := d - lo; q >= c.core && q < c.last {
			v = c.share[q]
		}
		for j := range n {
			v -= sol[j] * t.unit[j] * t.col[j][d]
		}
		if t.v[d] > 0 {
			t.coef[d] = v * t.f[d] / t.v[d] * scale
		} else {
			t.coef[d] = 0
		}
		counted += t.coef[d] * t.coef[d] * t.v0[d]
	}
	return t.deviate(e, z, math.Sqrt(t.z[i]), max(0, 1-counted))
}

// deviate solves K'(θ) = x for the cumulant function K of Σ coef·count plus a
// normal part of variance normal, all centred, and returns the deviate.
func (t *strayTest) deviate(e *Estimator, z *zone, x, normal float64) float64 {
	cumulants := func(th float64) (k, k1, k2 float64) {
		k, k1, k2 = normal*th*th/2, normal*th, normal
		for b, c := range t.coef {
			if c == 0 || t.v0[b] == 0 {
				continue
			}
			u := th * c
			if u > 300 {
				return math.Inf(1), math.Inf(1), math.Inf(1)
			}
			d := math.Expm1(u)
			m := t.mean[b]
			if e.first {
				pi := m / z.rt[b]
				den := 1 + pi*d
				q := pi * (1 + d) / den
				k += z.rt[b]*math.Log1p(pi*d) - u*m
				k1 += c * (z.rt[b]*q - m)
				k2 += c * c * z.rt[b] * q * (1 - q)
				continue
			}
			k += m * (d - u)
			k1 += m * c * d
			k2 += m * c * c * (1 + d)
		}
		return k, k1, k2
	}
	lo, hi := 0.0, math.Inf(1)
	// Newton's step is far too long where K' is an exponential of one count.
	most := 2 / slices.Max(t.coef)
	th := min(x, most/2)
	var k, k1, k2 float64
	for range 60 {
		k, k1, k2 = cumulants(th)
		if math.Abs(k1-x) < 1e-6*x {
			break
		}
		if k1 > x {
			hi = th
		} else {
			lo = th
		}
		next := th + min((x-k1)/k2, most)
		if !(next > lo && next < hi) || math.IsNaN(next) {
			if next = (lo + hi) / 2; math.IsInf(hi, 1) {
				next = 2 * th
			}
		}
		th = next
	}
	r := math.Sqrt(max(0, 2*(th*x-k)))
	v := th * math.Sqrt(k2)
	if !(r > 1e-3) || !(v > 0) {
		return 0
	}
	return r + math.Log(v/r)/r
}

// strayThreshold returns the deviate that the match of a clean capture
// exceeds anywhere with the family-wise chance p: by the expected number of
// its crossings of that level (Rice 1945) over all bins and zones, which for a
// pulse of about three bins is Bonferroni's bound with one place a bin.
func (e *Estimator) strayThreshold(p float64) float64 {
	p0 := e.pulse
	var slope, square float64
	for i := 1; i < len(p0.f); i++ {
		a, b := p0.f[i-1], p0.f[i]
		slope += (b - a) * (b - a) / p0.step
		square += p0.step * (a*a + a*b + b*b) / 3
	}
	zones, bins := float64(e.zones), float64(e.bins)
	rate := math.Sqrt(slope/square) * e.setup.BinPS / math.Sqrt(2*math.Pi) // crossings a bin over the chance at a place, by z
	z := mathext.NormalQuantile(1 - p/(zones*bins))
	places := zones * (1 + bins*min(rate*z, phases))
	return mathext.NormalQuantile(1 - p/places)
}
