package estimate

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// misfitTest asks whether a target capture is what the model says: in each
// zone one pulse, an ambient and the leakage seen before. Its variance holds
// counting noise of both captures and what a product allows: unequal bins,
// the table of the pulse and light that comes late; size, delay, ambient,
// change of leakage and width of the pulse are fitted along by weighted least
// chiSquare, the last two with their priors, so that they cannot accuse.
//
// It looks in four ways, each at a tenth of the stated family-wise chance,
// so that all together stay far below it where several allowances are used up
// at once: by the chi-square of a zone; by the match of the pulse with what is
// left of a zone at every place, a further return; by the chi-square of
// all zones together, bin by bin and once more counted from the pulse, where
// the allowances add linearly, being common to the zones; and by the match of
// all zones together with departures that have a known form.
type misfitTest struct {
	r, v, a, w  []float64 // residual rate, counting variance, allowed sd, weight
	wr          []float64 // weighted residual
	cube        []float64 // third central moment
	p, dp, q    []float64 // pulse, its derivatives by delay and width, times size
	pooled      [2]pooled // by bin; by bin behind the pulse
	departed    departureTest
	score, info float64 // of the width, over zones
	gain        sharedChange
	zoneLimit   float64 // of a zone's chi-square, as a normal deviate
	allLimit    float64 // of that of all together
	worst       float64 // largest chi-square over what noise and allowances give
	zones       []int   // that misfit by themselves

	// The fitted columns: size, delay, ambient, leakage, width.
	g     [25]float64 // factor of their Gram matrix, to a unit diagonal
	b     [5]float64  // what the residuals have along them
	unit  [5]float64
	reach [2]int
}

// pooled are sums over zones: residuals, residuals by width and by change of
// leakage, counting variances and allowances.
type pooled struct{ r, q, g, v, a []float64 }

func newMisfitTest(bins int) misfitTest {
	f := func(n int) []float64 { return make([]float64, n) }
	t := misfitTest{r: f(bins), v: f(bins), a: f(bins), w: f(bins), wr: f(bins), cube: f(bins), p: f(bins), dp: f(bins), q: f(bins)}
	for i, n := range [2]int{bins, 2 * bins} {
		t.pooled[i] = pooled{f(n), f(n), f(n), f(n), f(n)}
	}
	t.departed = newDepartureTest(bins)
	return t
}

// start forgets the capture before.
func (t *misfitTest) start(e *Estimator) {
	for _, p := range t.pooled {
		clear(p.r)
		clear(p.q)
		clear(p.g)
		clear(p.v)
		clear(p.a)
	}
	t.departed.start(e)
	t.score, t.info, t.gain, t.worst, t.zones = 0, 0, sharedChange{}, 0, nil
	p := e.setup.Checks.FamilyWise / 10
	t.zoneLimit = mathext.NormalQuantile(1 - p/float64(e.zones))
	t.allLimit = mathext.NormalQuantile(1 - p/2)
}

// lateReachPS is how much later than the direct light the stated multipath
// may come.
const lateReachPS = 4000

// load sets residuals, variances and allowances of a fitted zone.
func (t *misfitTest) load(e *Estimator, z *zone, fit *targetResult) {
	c := e.setup.Checks
	t.reach = e.reached(fit.tau, 0)
	lo, hi := t.reach[0], t.reach[1]
	clear(t.p)
	clear(t.dp)
	clear(t.q)
	if lo < hi {
		e.pulse.bins(e.edges[lo:], fit.tau, 1, t.p[lo:hi], t.dp[lo:hi])
		e.pulse.stretch(e.edges[lo:], fit.tau, 1, t.q[lo:hi])
	}
	top := 0.0
	for _, p := range t.p[lo:hi] {
		top = max(top, p)
	}
	peak := e.binAt(fit.tau + e.pulse.mode)
	late := int(lateReachPS / e.setup.BinPS)
	g := fit.g
	var lastT, lastE, perT, perE, both float64 // shots at risk, and what is worked out of them
	for b := range t.r {
		nt, ne := z.rt[b], z.re[b]
		if !(nt > 0) || !(ne > 0) {
			t.w[b], t.r[b], t.wr[b], t.v[b], t.a[b], t.cube[b] = 0, 0, 0, 0, 0, 0
			continue
		}
		if nt != lastT || ne != lastE {
			lastT, lastE = nt, ne
			perT, perE, both = 1/nt, 1/ne, 1/(ne+g*g*nt)
		}
		s := fit.rate * t.p[b]
		own := s + fit.a*e.wide[b]
		t.r[b] = z.ly[b] - own - g*z.lx[b]
		// The variance is that of the leakage as both captures have it: what
		// one alone has goes with the residual, and would bend every fit.
		m := max((z.lx[b]*ne+(z.ly[b]-own)*g*nt)*both, 0)
		mu := max(own+g*m, 0)
		if e.first {
			t.v[b] = grown(mu)*perT + g*g*grown(m)*perE
		} else {
			t.v[b] = mu*perT + g*g*m*perE
		}
		one := perT * perT
		t.cube[b] = mu * one
		echo := t.p[b]
		switch {
		case b < peak:
		case b <= peak+late:
			echo = top
		default:
			echo = max(echo, t.p[b-late])
		}
		wide, path := c.BinWidth*own, fit.rate*c.Multipath*echo
		allowed := wide*wide + path*path
		if b >= lo && b < hi {
			allowed += tail * fit.rate * tail * fit.rate
		}
		if t.a[b] = math.Abs(wide); path != 0 || b >= lo && b < hi {
			t.a[b] = math.Sqrt(allowed)
		}
		// One count more, because a few counts are no normal deviate.
		t.w[b] = 1 / (t.v[b] + allowed + one)
		t.wr[b] = t.w[b] * t.r[b]
		t.p[b], t.dp[b], t.q[b] = s, t.dp[b]*fit.rate, t.q[b]*fit.rate
	}
}

// solve factors the columns' Gram matrix. A column that is not fitted is left
// alone by itself. It leaves the width without its prior.
func (t *misfitTest) solve(e *Estimator, z *zone, fit *targetResult) bool {
	ug := e.setup.Budget.LeakageChangeU
	h := &t.g
	clear(h[:])
	clear(t.b[:])
	var h22, h32, h33, b2, b3 float64
	for b, w := range t.w {
		if w == 0 {
			continue
		}
		k := e.wide[b]
		h22 += w * k * k
		b2 += w * k * t.r[b]
		if ug > 0 {
			m := w * z.lx[b]
			h32 += m * k
			h33 += m * z.lx[b]
			b3 += m * t.r[b]
		}
	}
	h[12], h[17], h[18], t.b[2], t.b[3] = h22, h32, h33, b2, b3
	var h00, h10, h11, h20, h21, h30, h31, h40, h41, h42, h43, h44, b0, b1, b4 float64
	for b := t.reach[0]; b < t.reach[1]; b++ {
		w, k := t.w[b], e.wide[b]
		p, d, q := w*t.p[b], w*t.dp[b], w*t.q[b]
		h00 += p * t.p[b]
		h10 += p * t.dp[b]
		h11 += d * t.dp[b]
		h20 += p * k
		h21 += d * k
		h40 += p * t.q[b]
		h41 += d * t.q[b]
		h42 += q * k
		h44 += q * t.q[b]
		b0 += p * t.r[b]
		b1 += d * t.r[b]
		b4 += q * t.r[b]
		if ug > 0 {
			m := z.lx[b]
			h30 += p * m
			h31 += d * m
			h43 += q * m
		}
	}
	h[0], h[5], h[6], h[10], h[11], h[15], h[16] = h00, h10, h11, h20, h21, h30, h31
	h[20], h[21], h[22], h[23], h[24] = h40, h41, h42, h43, h44
	t.b[0], t.b[1], t.b[4] = b0, b1, b4
	if ug > 0 {
		h[18] += 1 / (ug * ug)
		t.b[3] -= (fit.g - 1) / (ug * ug)
	} else {
		h[18] = 1
	}
	if !(e.setup.Checks.PulseWidth > 0) {
		h[20], h[21], h[22], h[23], h[24], t.b[4] = 0, 0, 0, 0, 1, 0
	}
	for i := range 5 {
		if !(h[6*i] > 0) {
			return false
		}
		t.unit[i] = 1 / math.Sqrt(h[6*i])
	}
	for i := range 5 {
		for j := range i + 1 {
			h[5*i+j] *= t.unit[i] * t.unit[j]
		}
		t.b[i] *= t.unit[i]
	}
	if !cholesky(h[:], 5) {
		return false
	}
	forward(h[:], t.b[:])
	return true
}

// zone takes one fitted zone in. It returns whether the zone misfits by
// itself, and the place of the further return that stands out most, NaN
// where none does.
func (t *misfitTest) zone(e *Estimator, z *zone, fit *targetResult, ambient float64) (bad bool, at float64) {
	t.load(e, z, fit)
	if !t.solve(e, z, fit) {
		return false, math.NaN()
	}
	t.pool(e, z, fit, ambient)
	// From here on the width has its prior.
	if a := e.setup.Checks.PulseWidth; a > 0 {
		l := t.g[24]
		with := math.Hypot(l, t.unit[4]/a)
		t.g[24], t.b[4] = with, t.b[4]*l/with
	}
	var sum chiSquare
	for b, w := range t.w {
		if w > 0 {
			sum = sum.with(w, t.r[b], t.v[b], t.v[b]+t.a[b]*t.a[b], z.rt[b])
		}
	}
	for i, y := range t.b {
		sum.chi -= y * y
		if i < 3 {
			sum.mean--
		}
	}
	if sum.mean > 1 {
		t.worst = max(t.worst, sum.chi/sum.mean)
		bad = sum.deviate() > t.zoneLimit
	}
	at = t.further(e, z)
	return bad || !math.IsNaN(at), at
}

// further looks for another return in what the fit leaves.
func (t *misfitTest) further(e *Estimator, z *zone) float64 {
	at, best := math.NaN(), e.sure
	leak := e.setup.Budget.LeakageChangeU > 0
	for b := range e.bins {
		for k := range e.steps {
			c := &e.combs[k]
			lo := b + c.off
			j0, j1 := max(c.core, -lo), min(c.last, e.bins-lo)
			if j0 >= j1 {
				continue
			}
			share := c.share[j0:j1]
			from, to := lo+j0, lo+j1
			w, wr := t.w[from:to][:len(share)], t.wr[from:to][:len(share)]
			var num, den, even float64
			for j, p := range share {
				num += p * wr[j]
			}
			if num <= 0 {
				continue
			}
			for j, p := range share {
				pw := p * w[j]
				den += pw * p
				even += pw
			}
			if !(num*num > 9*den) {
				continue // nothing that a fitted column takes off makes it larger
			}
			if !e.even() {
				even = 0
				for j, p := range share {
					even += p * w[j] * e.wide[from+j]
				}
			}
			whole := den
			x := [5]float64{2: even}
			for j, p := range share {
				pw := p * w[j]
				x[0] += pw * t.p[from+j]
				x[1] += pw * t.dp[from+j]
				x[4] += pw * t.q[from+j]
				if leak {
					x[3] += pw * z.lx[from+j]
				}
			}
			for i := range x {
				x[i] *= t.unit[i]
			}
			forward(t.g[:], x[:])
			for i := range x {
				num -= x[i] * t.b[i]
				den -= x[i] * x[i]
			}
			if !(den > 1e-3*whole) || num <= 0 {
				continue
			}
			d := num / math.Sqrt(den)
			if d <= best {
				continue
			}
			cube := 0.0
			for j, p := range share {
				pw := p * w[j]
				cube += pw * pw * pw * t.cube[from+j]
			}
			if d = skewedDeviate(d, cube/(den*math.Sqrt(den))); d > best {
				at, best = e.delay(b, k), d
			}
		}
	}
	return at
}

// skewedDeviate is the normal deviate of the same chance as z of a law with
// that skewness: of a shifted gamma law, after Wilson and Hilferty (1931).
func skewedDeviate(z, skew float64) float64 {
	if skew < 1e-6 {
		return z
	}
	k := 2 / skew // root of the shape
	return 3 * k * (math.Cbrt(1+z/k) - 1 + 1/(9*k*k))
}

// pool adds the zone's residuals, size, delay, ambient and leakage taken off,
// to the sums over zones.
func (t *misfitTest) pool(e *Estimator, z *zone, fit *targetResult, ambient float64) {
	g4, back, cross := [16]float64{}, [4]float64{}, [4]float64{}
	for i := range 4 {
		copy(g4[4*i:4*i+4], t.g[5*i:5*i+4])
		back[i], cross[i] = t.b[i], t.g[20+i]
	}
	// What a change of one leaves in the residuals, its prior being all that
	// keeps the fit from following it.
	var left [4]float64
	prior := e.setup.Budget.LeakageChangeU * e.setup.Budget.LeakageChangeU
	if prior > 0 {
		left[3] = t.unit[3] / prior
		forward4(&g4, &left)
	}
	t.departed.zone(e, z, fit, t, &g4, &back, &left, ambient)
	backward4(&g4, &back)
	backward4(&g4, &left)
	backward4(&g4, &cross)
	l := t.g[24] / t.unit[4]
	if e.setup.Checks.PulseWidth > 0 {
		t.score += t.b[4] * l
		t.info += l * l
	}
	for i := range 4 {
		back[i] *= t.unit[i]
		left[i] *= t.unit[i]
		cross[i] *= t.unit[i] / t.unit[4]
	}
	if prior > 0 && fit.gU > 0 {
		// As the likelihood has it: here the leakage's own noise is in the
		// column, which takes from the change, in all zones alike.
		t.gain.add(fit.g-1, fit.gU*fit.gU, prior)
	}
	// What unequal bins and late light do to size and delay shows elsewhere.
	var row [2][4]float64
	for i := range row {
		row[i][i] = t.unit[i]
		forward4(&g4, &row[i])
		backward4(&g4, &row[i])
	}
	var moved [2]float64
	for i, r := range row {
		r0, r1, r2, sum := r[0]*t.unit[0], r[1]*t.unit[1], r[2]*t.unit[2], 0.0
		for b := t.reach[0]; b < t.reach[1]; b++ {
			c := t.w[b] * t.a[b] * (r0*t.p[b] + r1*t.dp[b] + r2*e.wide[b])
			sum += c * c
		}
		moved[i] = sum
	}
	behind := e.bins - e.binAt(fit.tau+e.pulse.mode)
	by, rel := &t.pooled[0], &t.pooled[1]
	for b, w := range t.w {
		if w == 0 {
			continue
		}
		k, m := e.wide[b], z.lx[b]
		r, q, g, a := t.r[b]-back[2]*k-back[3]*m, -cross[2]*k-cross[3]*m, left[2]*k+left[3]*m, t.a[b]
		if b >= t.reach[0] && b < t.reach[1] {
			p, d := t.p[b], t.dp[b]
			r -= back[0]*p + back[1]*d
			q += t.q[b] - cross[0]*p - cross[1]*d
			g += left[0]*p + left[1]*d
			a = math.Sqrt(a*a + moved[0]*p*p + moved[1]*d*d)
		}
		by.r[b] += r
		by.q[b] += q
		by.g[b] += g
		by.v[b] += t.v[b]
		by.a[b] += a
		i := b + behind
		rel.r[i] += r
		rel.q[i] += q
		rel.g[i] += g
		rel.v[i] += t.v[b]
		rel.a[i] += a
	}
}

// behindPS is how far behind a pulse its tail is looked for.
const behindPS = 1000

// together tests the sums over zones.
func (t *misfitTest) together(e *Estimator, shots int64) bool {
	width, rest := 0.0, 0.0
	if a := e.setup.Checks.PulseWidth; a > 0 {
		whole := t.info + 1/(a*a)
		width, rest = t.score/whole, 1/whole
	}
	gain, doubt := t.gain.is(e.setup.Budget.LeakageChangeU)
	t.departed.gain, t.departed.doubt = gain, doubt
	bad := false
	one := 1 / float64(shots) / float64(shots)
	// Counted from the pulse, only what lies about it is asked: a shape that is
	// not the product's shows there, and all other bins would drown it.
	lo := e.bins + int(math.Floor((e.pulse.lo-e.pulse.mode)/e.setup.BinPS))
	hi := e.bins + int(math.Ceil((e.pulse.hi-e.pulse.mode+behindPS)/e.setup.BinPS))
	for i, p := range t.pooled {
		var sum chiSquare
		for b, v := range p.v {
			if v > 0 && (i == 0 || b >= lo && b < hi) {
				s := v + p.a[b]*p.a[b] + rest*p.q[b]*p.q[b] + doubt*p.g[b]*p.g[b]
				sum = sum.with(1/(s+one), p.r[b]-width*p.q[b]-gain*p.g[b], v, s, float64(shots))
			}
		}
		if sum.mean > 1 {
			t.worst = max(t.worst, sum.chi/sum.mean)
			bad = bad || sum.deviate() > t.allLimit
		}
	}
	return t.departed.bad(e) || bad
}

// chiSquare is a sum of chiSquare of counts' departures, with its first three
// cumulants.
type chiSquare struct{ chi, mean, variance, cube float64 }

// with takes in residual r of weight w and variance s, of which v is that of a
// count of n shots: the cumulants are those of the square of a Poisson
// count's departure.
func (q chiSquare) with(w, r, v, s, n float64) chiSquare {
	one := w / (n * n)
	v, s = w*v, w*s
	q.chi += w * r * r
	q.mean += s
	q.variance += 2*s*s + v*one
	q.cube += 8*s*s*s + 22*s*v*one + v*one*one
	return q
}

// deviate is the normal deviate of the same chance.
func (q *chiSquare) deviate() float64 {
	if !(q.variance > 0) || q.chi <= q.mean {
		return 0
	}
	sd := math.Sqrt(q.variance)
	return skewedDeviate((q.chi-q.mean)/sd, q.cube/(sd*sd*sd))
}
