package estimate

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
)

// Forms in which a capture departs from the model in all zones alike: the
// width of the pulse; counts that are lost, or put back, by a pile-up that is
// not what the unit says; light that comes late, at each of several delays.
const (
	formWidth   = iota
	formSignal  // what pile-up takes of the signal
	formAmbient // and of the ambient
	formLate
	maxForms = formLate + len(latePS)
)

// latePS are the delays. What comes between shows in both neighbours.
var latePS = [...]float64{250, 500, 750, 1250, 2000}

// decays of the tails that are looked for, over the pulse's full width at half
// maximum. A tail is light late by delays that decay.
var decays = [...]float64{0.25, 0.5, 1}

// departureTest looks for departures of known forms that are common to all
// zones, so that all together show what none shows alone. It sums over zones
// how each form matches what the fit leaves, and what the sums make of one
// another's departures. What the product allows, the width, late light and
// bins that are unequal in all zones alike, is variance of the sums, so that
// each departure is tested along what the allowances resemble least.
type departureTest struct {
	forms    int
	known    bool // the covariance is
	from, to [maxForms]int
	col, w   [maxForms][]float64 // a zone's forms, also times weight
	own      []float64           // rate of signal and ambient
	x        [maxForms][4]float64
	bin      [maxForms][]float64 // over zones: what a relative error of a bin's width does to the sum
	sum      [maxForms]float64
	left     [maxForms]float64 // what a change of leakage by one does to the sum
	gain     float64           // that change, as all zones show it
	doubt    float64           // and its variance
	gram     [maxForms * maxForms]float64
	cov      [maxForms * maxForms]float64 // factor of the sums' covariance, to a unit diagonal
	scale, y [maxForms]float64
}

func newDepartureTest(bins int) departureTest {
	var d departureTest
	f := func() []float64 { return make([]float64, bins) }
	d.own = f()
	for k := range d.col {
		d.col[k], d.w[k], d.bin[k] = f(), f(), f()
	}
	return d
}

// lateBins are the delays of late light in bins, each once.
func (s Setup) lateBins() []int {
	var out []int
	for _, ps := range latePS {
		n := s.lateBin(ps)
		if n < s.Bins && (len(out) == 0 || n > out[len(out)-1]) {
			out = append(out, n)
		}
	}
	return out
}

func (s Setup) lateBin(ps float64) int { return max(1, int(math.Round(ps/s.BinPS))) }

// makeTails returns tails of several decays, each as what is in it at each delay
// of late light.
func (e *Estimator) makeTails() [][]float64 {
	var out [][]float64
	for _, part := range decays {
		decay := part * e.pulse.fwhm
		left := func(ps float64) float64 { return math.Exp(-ps / decay) }
		tail := make([]float64, len(e.late))
		for j, n := range e.late {
			from, to := float64(n)/2, math.Inf(1)
			if j > 0 {
				from = float64(n+e.late[j-1]) / 2
			}
			if j+1 < len(e.late) {
				to = float64(n+e.late[j+1]) / 2
			}
			tail[j] = left(from*e.setup.BinPS) - left(to*e.setup.BinPS)
		}
		out = append(out, tail)
	}
	return out
}

func (d *departureTest) start(e *Estimator) {
	d.forms = formLate + len(e.late)
	for k := range d.forms {
		clear(d.bin[k])
	}
	clear(d.sum[:])
	clear(d.left[:])
	clear(d.gram[:])
}

// load fills the zone's forms, per unit of the relative width, of the counts
// that pile-up takes, of the share that comes late.
func (d *departureTest) load(e *Estimator, z *zone, fit *targetResult, t *misfitTest, ambient float64) {
	lo, hi := t.reach[0], t.reach[1]
	d.from[formWidth], d.to[formWidth] = lo, hi
	copy(d.col[formWidth][lo:hi], t.q[lo:hi])
	d.from[formSignal], d.to[formSignal] = lo, hi
	d.from[formAmbient], d.to[formAmbient] = 0, e.bins
	sign := -1.0
	if e.first {
		sign = 1
	}
	// Of what came before in a shot, the empty capture has lost its own part.
	var before, leak float64
	for b, p := range t.p {
		k, m := e.wide[b], z.lx[b]
		own := p + fit.a*k
		d.own[b] = own
		all := own + fit.g*m
		d.col[formSignal][b] = sign * p * (before + all/2)
		d.col[formAmbient][b] = sign * k * (fit.a*(before+all/2) + fit.g*ambient*(before-leak+(all-m)/2))
		before += all
		leak += m
	}
	for j, n := range e.late {
		k := formLate + j
		to := min(hi+n, e.bins)
		from := min(lo+n, to)
		d.from[k], d.to[k] = from, to
		copy(d.col[k][from:to], t.p[lo:hi])
	}
}

// zone takes a zone in: t holds its residuals and weights, l the factor of the
// Gram matrix of size, delay, ambient and leakage, y what the residuals have
// along them.
func (d *departureTest) zone(e *Estimator, z *zone, fit *targetResult, t *misfitTest, l *[16]float64, y, left *[4]float64, ambient float64) {
	d.load(e, z, fit, t, ambient)
	leak := e.setup.Budget.LeakageChangeU > 0
	for k := range d.forms {
		from, to := d.from[k], d.to[k]
		col := d.col[k][from:to]
		n := len(col)
		wc := d.w[k][from:to][:n]
		w, r, p, dp, wide, lx := t.w[from:to][:n], t.r[from:to][:n], t.p[from:to][:n], t.dp[from:to][:n], e.wide[from:to][:n], z.lx[from:to][:n]
		var sum, x0, x1, x2, x3 float64
		for i, c := range col {
			c *= w[i]
			wc[i] = c
			x0 += c * p[i]
			x1 += c * dp[i]
			x2 += c * wide[i]
			x3 += c * lx[i]
			sum += c * r[i]
		}
		if !leak {
			x3 = 0
		}
		x := [4]float64{x0 * t.unit[0], x1 * t.unit[1], x2 * t.unit[2], x3 * t.unit[3]}
		forward4(l, &x)
		for i, v := range x {
			sum -= v * y[i]
		}
		d.sum[k] += sum
		d.left[k] += x[0]*left[0] + x[1]*left[1] + x[2]*left[2] + x[3]*left[3]
		d.x[k] = x
		for j := range k + 1 {
			a, b := max(from, d.from[j]), min(to, d.to[j])
			g := 0.0
			if a < b {
				other := d.col[j][a:b]
				for i, v := range d.w[k][a:b][:len(other)] {
					g += v * other[i]
				}
			}
			o := &d.x[j]
			d.gram[k*maxForms+j] += g - x[0]*o[0] - x[1]*o[1] - x[2]*o[2] - x[3]*o[3]
		}
		backward4(l, &x)
		x0, x1, x2, x3 = x[0]*t.unit[0], x[1]*t.unit[1], x[2]*t.unit[2], x[3]*t.unit[3]
		own, bin := d.own[from:to][:n], d.bin[k][from:to][:n]
		for i, v := range wc {
			v -= w[i] * (x0*p[i] + x1*dp[i] + x2*wide[i] + x3*lx[i])
			bin[i] += v * own[i]
		}
	}
}

// spread sets the covariance of the sums. For that of the counts it takes
// their Gram matrix, which holds a little more.
func (d *departureTest) spread(e *Estimator) bool {
	c := e.setup.Checks
	n := d.forms
	for i := range n {
		for j := range i {
			d.gram[j*maxForms+i] = d.gram[i*maxForms+j]
		}
	}
	for i := range n {
		for j := range i + 1 {
			v := d.gram[i*maxForms+j]
			for b, x := range d.bin[i] {
				v += c.BinWidth * c.BinWidth * x * d.bin[j][b]
			}
			for k := range n {
				allowed := 0.0
				switch {
				case k == formWidth:
					allowed = c.PulseWidth
				case k >= formLate: // one path, at any of the delays
					allowed = c.Multipath / math.Sqrt(float64(len(e.late)))
				}
				v += allowed * allowed * d.gram[i*maxForms+k] * d.gram[j*maxForms+k]
			}
			d.cov[i*n+j] = v + d.doubt*d.left[i]*d.left[j]
		}
	}
	for i := range n {
		if !(d.cov[i*n+i] > 0) {
			return false
		}
		d.scale[i] = 1 / math.Sqrt(d.cov[i*n+i])
	}
	for i := range n {
		for j := range i + 1 {
			d.cov[i*n+j] *= d.scale[i] * d.scale[j]
		}
		d.cov[i*n+i] += 1e-9 // forms may be alike
		d.y[i] = (d.sum[i] - d.gain*d.left[i]) * d.scale[i]
	}
	if !cholesky(d.cov[:n*n], n) {
		return false
	}
	forward(d.cov[:n*n], d.y[:n])
	return true
}

// limit is the deviate above which a departure is there.
func (d *departureTest) limit(e *Estimator) float64 {
	tests := 1 + len(e.late) + len(e.tails)
	return mathext.NormalQuantile(1 - e.setup.Checks.FamilyWise/10/float64(tests))
}

// bad reports whether a departure that is not allowed is there: pile-up, light
// at one of the delays, or a tail.
func (d *departureTest) bad(e *Estimator) bool {
	if d.known = d.spread(e); !d.known {
		return false
	}
	limit := d.limit(e)
	part := [maxForms]float64{formSignal: 1, formAmbient: 1}
	z, _ := d.deviate(&part)
	bad := z > limit
	for j := range e.late {
		clear(part[:])
		part[formLate+j] = 1
		z, _ = d.deviate(&part)
		bad = bad || z > limit
	}
	for _, tail := range e.tails {
		clear(part[:])
		copy(part[formLate:], tail)
		z, _ = d.deviate(&part)
		bad = bad || z > limit
	}
	return bad
}

// least returns, for each delay, the share of late light that would be found
// nine times of ten; +Inf where none would.
func (d *departureTest) least(e *Estimator) (out [len(latePS)]float64) {
	for i, ps := range latePS {
		out[i] = math.Inf(1)
		if j := slices.Index(e.late, e.setup.lateBin(ps)); d.known && j >= 0 {
			var part [maxForms]float64
			part[formLate+j] = 1
			if _, one := d.deviate(&part); one > 0 {
				out[i] = (d.limit(e) + 1.28) / one
			}
		}
	}
	return out
}

// deviate is the normal deviate of a departure made of these parts of the
// forms, and what it would be were just that there.
func (d *departureTest) deviate(part *[maxForms]float64) (z, one float64) {
	n := d.forms
	var x [maxForms]float64
	for i := range n {
		for k, v := range part[:n] {
			x[i] += v * d.gram[i*maxForms+k]
		}
		x[i] *= d.scale[i]
	}
	forward(d.cov[:n*n], x[:n])
	var num, den float64
	for i := range n {
		num += x[i] * d.y[i]
		den += x[i] * x[i]
	}
	if !(den > 0) {
		return 0, 0
	}
	return num / math.Sqrt(den), math.Sqrt(den)
}
