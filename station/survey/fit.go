package survey

import (
	"math"
)

// late is by how much light by other paths is looked for, ps.
var late = [...]float64{400, 800, 1200, 1600, 2000}

// lateShare is how much of a target's light may come late, at a time of each
// zone's own (common practice, no source); lateSD the prior sd of its mean at
// each of these times.
const lateShare, lateSD = 0.005, 0.003

// widthSD is how far the width of a unit's pulse may go in one step.
const widthSD = 0.2

// coarseRel is how much counts may scatter beyond chance, relative, while the
// shape is not found yet, and at most.
const coarseRel = 0.03

// settled is how many steps find how much the counts scatter.
const settled = 6

// fit is the joint fit of all captures.
type fit struct {
	axis   Axis
	p      *table
	width  []float64 // of each unit's pulse, over the mean of all
	broad  float64   // half the variance that the leakage's paths add, ps²
	later  [len(late)]float64
	lambda float64 // weight of the smoothing
	rel2   float64 // relative variance of a bin's counts beyond chance
	phase  int     // 0: the table alone, and counts that scatter much; from settled on the scatter stays
	traces []*trace

	folds int
	damp  float64     // of a step: what swings to and fro comes to rest
	sums  []quadratic // of the folds, at the last step
	held  quadratic   // what holds the shared numbers beside the data
	chi2  float64
	nBins int
}

func newFit(a Axis, traces []*trace, units int, sd float64) *fit {
	step := fineStep(a.BinPS, sd)
	from := math.Ceil(5*sd/step) * step
	points := int(math.Ceil(13*sd/step)) + 1
	f := &fit{axis: a, width: make([]float64, units), damp: 1, lambda: weight * math.Pow(sd/step, 5), rel2: coarseRel * coarseRel, traces: traces}
	for i := range f.width {
		f.width[i] = 1
	}
	f.p = newTable(-from, step, points, func(t float64) float64 {
		x := t / sd
		return -x * x / (1.2 + 0.6*math.Abs(x))
	})
	return f
}

// fineStep is an eighth of a bin or of the pulse, a whole number of ps that
// product files have looked like before.
func fineStep(binPS, sd float64) float64 {
	s := min(binPS, 2*sd) / 8
	if s >= 5 {
		return math.Round(s/5) * 5
	}
	return max(s, 0.1)
}

func (f *fit) size() int { return len(f.p.q) + len(f.width) + 1 + len(late) }

// shares fills s with the shares of the pulse of delay tau that fall into the
// bins from first on.
func (f *fit) shares(first int, tau, w float64, s []float64) {
	Q, _ := f.p.at((f.axis.edge(first) - tau) / w)
	for j := range s {
		R, _ := f.p.at((f.axis.edge(first+j+1) - tau) / w)
		s[j] = R - Q
		Q = R
	}
}

// image is what a trace's light looks like: shares of its bins, and their
// derivatives by delay and width.
type image struct{ s, dTau, dW, broad, extra []float64 }

func (f *fit) image(t *trace) image {
	n := len(t.rate)
	im := image{s: make([]float64, n), dTau: make([]float64, n), dW: make([]float64, n), broad: make([]float64, n)}
	w := f.width[t.unit]
	tmp := make([]float64, n)
	add := func(tau, weight float64) {
		x := (f.axis.edge(t.first) - tau) / w
		Q, q := f.p.at(x)
		for j := range im.s {
			y := (f.axis.edge(t.first+j+1) - tau) / w
			R, r := f.p.at(y)
			im.s[j] += weight * (R - Q)
			im.dTau[j] += weight * (q - r) / w
			im.dW[j] += weight * (x*q - y*r) / w
			x, Q, q = y, R, r
		}
	}
	if t.target < 0 {
		add(t.tau, 1)
		h := 2 * f.p.step
		for _, d := range [...]struct{ at, weight float64 }{{t.tau - h, 1}, {t.tau, -2}, {t.tau + h, 1}} {
			f.shares(t.first, d.at, w, tmp)
			for j, v := range tmp {
				im.broad[j] += d.weight * v / (h * h)
			}
		}
		for j := range im.s {
			im.s[j] += f.broad * im.broad[j]
		}
		return im
	}
	straight := 1.0
	for _, c := range f.later {
		straight -= c
	}
	for _, d := range t.sides() {
		add(t.tau+d, straight/2)
	}
	im.extra = make([]float64, n*len(late))
	now := make([]float64, n)
	f.shares(t.first, t.tau, w, now)
	for i, d := range late {
		f.shares(t.first, t.tau+d, w, tmp)
		for j, v := range tmp {
			im.s[j] += f.later[i] * v
			im.extra[i*n+j] = v - now[j]
		}
	}
	return im
}

// sides are where the two halves of a zone's light come from: they have the
// variance of all of it.
func (t *trace) sides() [2]float64 { return [2]float64{-t.spread, t.spread} }

// variance of a bin's rate.
func (f *fit) variance(t *trace, j int, s float64) float64 {
	n := t.risk[j]
	if n <= 0 {
		return math.Inf(1)
	}
	mu := max(t.a*s+t.b+t.under[j], 0.3/n)
	signal := t.a * s
	return mu/n + f.rel2*signal*signal + f.apart(t, j)
}

// apart is the variance of what a trace has in a bin that others have not: its
// leakage may have changed, and its late light comes at a time of its own.
func (f *fit) apart(t *trace, j int) float64 {
	v := 4e-4 * t.under[j] * t.under[j]
	if t.target < 0 {
		return v
	}
	since := f.axis.edge(t.first+j) + f.axis.BinPS - t.tau
	if since < 0 || since > lateReach+2*f.axis.BinPS {
		return v
	}
	// Of one return among the bins that it may fall into.
	share := lateShare * min(0.5, math.Sqrt(f.axis.BinPS/lateReach)/2)
	return v + share*share*t.a*t.a
}

// local finds a trace's own delay, rate and ambient with everything else as it
// is, and returns the inverse of their normal matrix.
func (f *fit) local(t *trace, im image) (inv [9]float64, grad [3]float64) {
	var m [9]float64
	for j := range t.rate {
		v := 1 / f.variance(t, j, im.s[j])
		x := [3]float64{t.a * im.dTau[j], im.s[j], 1}
		r := t.rate[j] - t.a*im.s[j] - t.b - t.under[j]
		for a := range x {
			grad[a] += v * x[a] * r
			for b := range x {
				m[3*a+b] += v * x[a] * x[b]
			}
		}
	}
	m[8] += 1 / t.b0V
	grad[2] -= (t.b - t.b0) / t.b0V
	return invert3(m), grad
}

func invert3(m [9]float64) (inv [9]float64) {
	a, b, c, d, e, g, h, i, k := m[0], m[1], m[2], m[3], m[4], m[5], m[6], m[7], m[8]
	det := a*(e*k-g*i) - b*(d*k-g*h) + c*(d*i-e*h)
	if !(math.Abs(det) > 0) {
		return inv
	}
	inv = [9]float64{e*k - g*i, c*i - b*k, b*g - c*e, g*h - d*k, a*k - c*h, c*d - a*g, d*i - e*h, b*h - a*i, a*e - b*d}
	for j := range inv {
		inv[j] /= det
	}
	return inv
}

// settle lets every trace find its own delay, rate and ambient.
func (f *fit) settle(times int) {
	for _, t := range f.traces {
		for range times {
			inv, g := f.local(t, f.image(t))
			var d [3]float64
			for a := range d {
				d[a] = inv[3*a]*g[0] + inv[3*a+1]*g[1] + inv[3*a+2]*g[2]
			}
			most := f.axis.BinPS / 4
			t.tau += min(max(d[0], -most), most)
			t.a = max(t.a+d[1], t.a/2)
			t.b += d[2]
			t.tauV = inv[0]
		}
	}
}

// shadow puts the leakage under the target's bins, as it was fitted in the
// empty field. traces stand unit by unit, zone by zone, the leakage first.
func (f *fit) shadow() {
	var leak *trace
	for _, t := range f.traces {
		if t.target < 0 {
			leak = t
			continue
		}
		if leak == nil || leak.unit != t.unit || leak.zone != t.zone {
			continue
		}
		f.shares(t.first, leak.tau, f.width[t.unit], t.under)
		for j := range t.under {
			t.under[j] *= leak.a
		}
	}
}

// step is one scoring step of everything that traces share. It returns how far
// the pulse moved, in L1.
func (f *fit) step() float64 {
	g, k := f.size(), len(f.p.q)
	f.chi2, f.nBins = 0, 0
	var over, overW float64
	folds := make([]quadratic, f.folds)
	for i := range folds {
		folds[i] = newQuadratic(g)
	}
	for _, t := range f.traces {
		f.gather(t, folds[t.fold], &over, &overW)
	}
	for i := range folds {
		folds[i].mirror()
	}
	hold := 0.0
	if f.phase == 0 {
		hold = 1e12 // the shape first, what bends it later
	} else if f.phase < settled && overW > 0 {
		f.rel2 = min(max(over/overW, 0), coarseRel*coarseRel)
	}
	prior := f.prior(hold)
	all := newQuadratic(g)
	for _, q := range folds {
		all.add(q, 1)
	}
	d, ok := f.solve(all, prior, f.lambda)
	if !ok {
		return math.NaN()
	}
	f.sums, f.held = folds, prior
	for i := range d {
		d[i] *= f.damp
	}
	before := append([]float64(nil), f.p.q...)
	for i := range k {
		f.p.log[i] += min(max(d[i], -1), 1)
	}
	for i := range f.width {
		f.width[i] += min(max(d[k+i], -0.05), 0.05)
	}
	f.broad += d[k+len(f.width)]
	for i := range f.later {
		f.later[i] += d[k+len(f.width)+1+i]
	}
	f.p.normalise()
	f.centre()
	moved := 0.0
	for i, q := range f.p.q {
		moved += f.p.step * math.Abs(q-before[i])
	}
	return moved
}

// prior is what holds the shared numbers but for the smoothing.
func (f *fit) prior(hold float64) quadratic {
	g, k := f.size(), len(f.p.q)
	out := newQuadratic(g)
	put := func(i int, off, sd float64) {
		out.h[i*g+i] += 1/(sd*sd) + hold
		out.grad[i] -= off / (sd * sd)
	}
	for i := range f.width {
		put(k+i, 0, widthSD) // keeps steps short, pulls nowhere
	}
	at := k + len(f.width)
	put(at, f.broad, broadSD)
	for i, c := range f.later {
		put(at+1+i, c, lateSD)
	}
	f.fix(out.h)
	return out
}

// broadSD is what the paths' lengths may add to the leakage: half of (100 ps)².
const broadSD = 5000

// centre moves the table's mean to zero and the mean width to one: both are
// what delays and the table already say.
func (f *fit) centre() {
	m := f.p.mean()
	f.p.start -= m
	for _, t := range f.traces {
		t.tau += m * f.width[t.unit]
	}
	sum := 0.0
	for _, w := range f.width {
		sum += w
	}
	mean := sum / float64(len(f.width))
	for i := range f.width {
		f.width[i] /= mean
	}
}

// fix holds what the data cannot tell apart: area and mean of the table against
// rates and delays, its width against the mean of the units'.
func (f *fit) fix(h []float64) {
	g, k := f.size(), len(f.p.q)
	area, mean := make([]float64, g), make([]float64, g)
	for i := range k {
		area[i] = f.p.q[i] * f.p.step
		mean[i] = f.p.q[i] * f.p.step * f.p.point(i) / f.axis.BinPS
	}
	wide := make([]float64, g)
	for i := range f.width {
		wide[k+i] = 1
	}

	for _, c := range [][]float64{area, mean, wide} {
		for i, x := range c {
			if x == 0 {
				continue
			}
			for j, y := range c {
				h[i*g+j] += hard * x * y
			}
		}
	}
}

// gather adds what one trace says of what all share, its own delay, rate and
// ambient taken out.
func (f *fit) gather(t *trace, sum quadratic, over, overW *float64) {
	h, grad := sum.h, sum.grad
	im := f.image(t)
	inv, _ := f.local(t, im)
	g, k, n := f.size(), len(f.p.q), len(t.rate)
	w := f.width[t.unit]
	from, to := f.p.reach((f.axis.edge(t.first)-t.tau-t.spread)/w, (f.axis.edge(t.first+n)-t.tau+t.spread)/w)
	extra := []int{k + t.unit, k + len(f.width)}
	if t.target >= 0 {
		extra = extra[:1]
		for i := range late {
			extra = append(extra, k+len(f.width)+1+i)
		}
	}
	m := to - from + len(extra)
	index := make([]int, 0, m)
	for i := from; i < to; i++ {
		index = append(index, i)
	}
	index = append(index, extra...)
	cross := make([]float64, 3*m) // local with shared
	local := [3]float64{}
	row := make([]float64, m)
	var nz []int
	for j := range n {
		v := f.variance(t, j, im.s[j])
		if math.IsInf(v, 1) {
			continue
		}
		r := t.rate[j] - t.a*im.s[j] - t.b - t.under[j]
		x := [3]float64{t.a * im.dTau[j], im.s[j], 1}
		nz = nz[:0]
		sides := []float64{0}
		if t.target >= 0 && t.spread > 0 {
			s := t.sides()
			sides = s[:]
		}
		for _, d := range sides {
			lo, hi := (f.axis.edge(t.first+j)-t.tau-d)/w, (f.axis.edge(t.first+j+1)-t.tau-d)/w
			a, b := f.p.reach(lo, hi)
			for i := a; i < b; i++ {
				v := t.a * f.p.q[i] * (f.p.hat(i, hi) - f.p.hat(i, lo)) / float64(len(sides))
				if v == 0 {
					continue
				}
				if row[i-from] == 0 {
					nz = append(nz, i-from)
				}
				row[i-from] += v
			}
		}
		at := to - from
		put := func(i int, v float64) {
			row[at+i] = v
			nz = append(nz, at+i)
		}
		put(0, t.a*im.dW[j])
		if t.target < 0 {
			put(1, t.a*im.broad[j])
		} else {
			for i := range late {
				put(1+i, t.a*im.extra[i*n+j])
			}
		}
		iv := 1 / v
		for _, a := range nz {
			ra := row[a] * iv
			grad[index[a]] += ra * r
			base := index[a] * g
			for _, b := range nz {
				if b >= a {
					h[base+index[b]] += ra * row[b]
				}
			}
			for l := range x {
				cross[l*m+a] += ra * x[l]
			}
		}
		for l := range x {
			local[l] += x[l] * iv * r
		}
		// What the trace's own three numbers take of the residual.
		lev := 0.0
		for a := range x {
			for b := range x {
				lev += x[a] * inv[3*a+b] * x[b]
			}
		}
		f.chi2 += r * r * iv
		f.nBins++
		// Where little light is, what the table lacks would count as scatter.
		if left := 1 - lev*iv; left > 0.05 && im.s[j] > leastShare {
			s := t.a * im.s[j]
			chance := max(s+t.b+t.under[j], 0.3/t.risk[j])/t.risk[j] + f.apart(t, j)
			*over += s * s * (r*r/left - chance) * iv * iv
			*overW += s * s * s * s * iv * iv
		}
		for _, a := range nz {
			row[a] = 0
		}
	}
	local[2] -= (t.b - t.b0) / t.b0V
	// Schur complement of the local numbers.
	var part [3]float64
	for a := range part {
		part[a] = inv[3*a]*local[0] + inv[3*a+1]*local[1] + inv[3*a+2]*local[2]
	}
	il := make([]float64, 3*m)
	for l := range 3 {
		for i := range m {
			il[l*m+i] = inv[3*l]*cross[i] + inv[3*l+1]*cross[m+i] + inv[3*l+2]*cross[2*m+i]
		}
	}
	for i := range m {
		c0, c1, c2 := cross[i], cross[m+i], cross[2*m+i]
		if c0 == 0 && c1 == 0 && c2 == 0 {
			continue
		}
		grad[index[i]] -= c0*part[0] + c1*part[1] + c2*part[2]
		base := index[i] * g
		for j := i; j < m; j++ {
			h[base+index[j]] -= c0*il[j] + c1*il[m+j] + c2*il[2*m+j]
		}
	}
}

// leastShare of a return in a bin tells how much counts scatter.
const leastShare = 0.03

// hard is the weight of what must not move.
const hard = 1e10

// weight of the smoothing: ten of its penalty cost as much as one sd of all data.
const weight = 10
