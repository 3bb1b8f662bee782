package estimate

import "math"

// targetResult is the joint fit of one zone's two captures.
type targetResult struct {
	found              bool
	match              float64 // of the pulse with the counts, in sigmas
	rate, tau, a, g    float64 // S, τ (ps), target ambient less g times the empty one, gain
	rateU, tauU, gU    float64
	counting, leakage  float64              // ps: parts of tauU
	change             float64              // ps, signed: as tau goes with g
	perGain            float64              // ps per unit of g
	perWidth           float64              // ps per unit of relative pulse width
	binWidth, multiple float64              // ps: stated unequal bins, stated multipath
	late               [len(latePS)]float64 // ps per unit of relative signal at each delay of late light
}

// fitTarget fits one zone, w.z loaded with both captures.
func (w *worker) fitTarget(out *targetResult) {
	e, z := w.e, &w.z
	*out = targetResult{}
	ug := e.setup.Budget.LeakageChangeU
	for b, k := range e.wide { // as if all bins were of one width
		w.p[b] = (z.ly[b] - z.lx[b]) / k
		w.q[b] = (z.vy[b] + z.vx[b]) / (k * k)
		w.d[b] = z.lx[b] / k
	}
	var leak []float64
	if ug > 0 {
		leak = w.d
	}
	n := w.scan.run(e, w.p, w.q, leak, ug, 0, e.bins)
	if n == 0 || w.scan.found[0].z < minTarget {
		return
	}
	out.match = w.scan.found[0].z
	var best [maxPar]float64
	bestCost := math.Inf(1)
	par := 3
	if ug > 0 {
		par = 4
	}
	for i := range n {
		if !w.fitFrom(w.scan.found[i], par) {
			continue
		}
		if n == 1 {
			best, bestCost = w.min.x, 0
			break
		}
		x := w.min.x
		if c := w.wholeCost(x[:par]); c < bestCost {
			best, bestCost = x, c
		}
	}
	if math.IsInf(bestCost, 1) {
		return
	}
	if n > 1 {
		w.refit(best, par)
	}
	w.uncertainty(out, par)
}

// fitFrom runs the fit from a start, gathering anew where the delay leaves
// the reach of its start.
func (w *worker) fitFrom(start candidate, par int) bool {
	var x [maxPar]float64
	x[0], x[1], x[3] = start.rate, start.tau, 1
	return w.refit(x, par)
}

func (w *worker) refit(x [maxPar]float64, par int) bool {
	e := w.e
	f := &w.zf
	f.e, f.c, f.ug = e, &w.c, e.setup.Budget.LeakageChangeU
	f.margin = max(e.setup.BinPS, e.pulse.fwhm/2)
	m := &w.min
	m.x = x
	for range 6 {
		f.tau0 = m.x[1]
		w.c.gather(&w.z, w.leakBins, e.reached(f.tau0, f.margin))
		if last := w.c.n - 1; x[2] == 0 && w.c.merged {
			// Far from leakage and return the two ambients differ by A.
			m.x[2] = (w.c.y[last]/w.c.rt[last] - w.c.x[last]/w.c.re[last]) / w.c.k[last]
		}
		m.run(f, par, evalLimit, gainTol) // a fit that ends in a corner is the best point seen
		if math.Abs(m.x[1]-f.tau0) < 0.8*f.margin {
			break
		}
	}
	return finite(m.cost, m.x[0], m.x[1], m.x[2])
}

// wholeCost is the cost at x with every bin by itself: the yardstick between
// fits that merged different bins.
func (w *worker) wholeCost(x []float64) float64 {
	f := &w.zf
	w.c.gather(&w.z, [2]int{0, w.e.bins}, [2]int{})
	f.tau0 = x[1]
	var g [maxPar]float64
	var h [maxPar * maxPar]float64
	return f.eval(x, g[:len(x)], h[:len(x)*len(x)])
}

// uncertainty takes the Fisher matrix apart: with all that is unknown; with g
// known; with the empty rates known too.
func (w *worker) uncertainty(out *targetResult, par int) {
	m := &w.min
	out.rate, out.tau, out.a, out.g = m.x[0], m.x[1], m.x[2], 1
	row := w.row[:]
	m.factor()
	m.covariance(0, row[:par])
	out.rateU = math.Sqrt(row[0])
	m.covariance(1, row[:par])
	whole := row[1]
	noGain := whole
	infl := [4]float64{row[0], row[1], row[2]} // row of the covariance: what each score moves
	if par == 4 {
		infl[3] = row[3]
		out.g = m.x[3]
		m.covariance(3, row[:4])
		out.gU = math.Sqrt(row[3])
		var cross [3]float64
		for i := range 3 {
			cross[i] = m.h[12+i]
		}
		h4 := m.h
		for i := range 3 {
			copy(m.h[i*3:i*3+3], h4[i*4:i*4+3])
		}
		m.n = 3
		m.variance(1, row[:3])
		noGain = row[1]
		out.perGain = -(row[0]*cross[0] + row[1]*cross[1] + row[2]*cross[2])
		m.n, m.h = 4, h4
		out.change = out.perGain * out.gU
	}
	if !(whole > 0) || !(out.rateU > 0) {
		return
	}
	out.found = true
	out.tauU = math.Sqrt(whole)
	w.shapeTerms(out, infl)
	out.counting = math.Sqrt(min(w.countingAlone(out), noGain))
	out.leakage = math.Sqrt(max(0, noGain-out.counting*out.counting))
}

// countingAlone is the variance of the delay were the empty rates exact.
func (w *worker) countingAlone(out *targetResult) float64 {
	c, e := &w.c, w.e
	m := &w.min
	m.n = 3
	var h00, h10, h11, h20, h21, h22 float64
	for i := range c.n {
		v := c.mu[i] / c.rt[i]
		if e.first {
			v = grown(c.mu[i]) / c.rt[i]
		}
		wt := weight(v, 0, c.rt[i])
		p, q, k := c.p[i], out.rate*c.dp[i], c.k[i]
		h00 += wt * p * p
		h10 += wt * p * q
		h11 += wt * q * q
		h20 += wt * p * k
		h21 += wt * q * k
		h22 += wt * k * k
	}
	m.h[0], m.h[3], m.h[4], m.h[6], m.h[7], m.h[8] = h00, h10, h11, h20, h21, h22
	m.variance(1, w.row[:3])
	return w.row[1]
}

// shapeTerms carries departures of the pulse, the bins and the path through
// the fit: a wrong rate δ in a cell moves τ by infl·d·weight·δ.
func (w *worker) shapeTerms(out *targetResult, infl [4]float64) {
	c, e := &w.c, w.e
	t := e.setup.Budget
	single := c.n
	if c.merged {
		single--
	}
	var ms float64
	var x1, F1, f1 float64
	last := -2
	for i := range single {
		b := c.bin[i]
		x0, F0, f0 := x1, F1, f1
		if b != last+1 {
			x0 = e.edge(b) - out.tau
			F0, f0 = e.pulse.at(x0)
		}
		last = b
		x1 = e.edge(b+1) - out.tau
		F1, f1 = e.pulse.at(x1)
		v := c.mu[i]/c.rt[i] + out.g*out.g*c.m[i]/c.re[i]
		if e.first {
			v = grown(c.mu[i])/c.rt[i] + out.g*out.g*grown(c.m[i])/c.re[i]
		}
		k := weight(v, 0, c.rt[i]) * (infl[0]*c.p[i] + infl[1]*out.rate*c.dp[i] + infl[2]*c.k[i] + infl[3]*c.m[i])
		out.perWidth += k * out.rate * (x0*f0 - x1*f1)
		d := k * t.BinWidth * (out.rate*c.p[i] + out.a*c.k[i])
		ms += d * d
		if t.MultipathShare > 0 || t.UnseenShare > 0 {
			for j, l := range latePS {
				G0, _ := e.pulse.at(x0 - l)
				G1, _ := e.pulse.at(x1 - l)
				out.late[j] += k * out.rate * (G1 - G0 - (F1 - F0))
			}
		}
	}
	out.binWidth = math.Sqrt(ms)
	s := 0.0
	for _, l := range out.late {
		s += l * l / float64(len(out.late))
	}
	out.multiple = t.MultipathShare * math.Sqrt(s)
}
