package estimate

import "math"

// zoneFit is the likelihood of both captures of one zone: target rate
// S·pulse(t−τ) + A·k + g·m with k the width of each bin over the nominal one, m the unknown rate of each empty bin, leakage
// and ambient together, so that A + g·(empty ambient) is the target's
// ambient. The m are profiled out bin by bin; parameters are S, τ, A and,
// where its prior has a width, g.
type zoneFit struct {
	e      *Estimator
	c      *cells
	ug     float64 // prior sd of g about 1; 0 = g is 1
	tau0   float64 // the cells were gathered about this delay
	margin float64 // and are good within this distance of it
}

func (f *zoneFit) clip(x, step []float64) float64 {
	part := 1.0
	if lim, d := f.e.pulse.fwhm/2, math.Abs(step[1]); d > lim {
		part = lim / d
	}
	if len(x) > 3 && x[3]+part*step[3] < x[3]/2 {
		part = -x[3] / 2 / step[3]
	}
	return part
}

func (f *zoneFit) eval(x, g, h []float64) float64 {
	n := len(x)
	S, tau, A, gain := x[0], x[1], x[2], 1.0
	if n > 3 {
		gain = x[3]
	}
	clear(g)
	clear(h)
	if math.Abs(tau-f.tau0) > f.margin || !(gain > 0) {
		return math.Inf(1)
	}
	c := f.c
	c.aim(f.e, tau)
	var cost float64
	var g0, g1, g2, g3 float64
	var h00, h10, h11, h20, h21, h22, h30, h31, h32, h33 float64
	for i := range c.n {
		p := c.p[i]
		k := c.k[i]
		w, t, l := f.cell(i, S*p+A*k, gain)
		cost += l
		q, m := S*c.dp[i], c.m[i]
		g0 -= t * p
		g1 -= t * q
		g2 -= t * k
		g3 -= t * m
		wp, wq, wk := w*p, w*q, w*k
		h00 += wp * p
		h10 += wp * q
		h11 += wq * q
		h20 += wp * k
		h21 += wq * k
		h22 += wk * k
		h30 += wp * m
		h31 += wq * m
		h32 += wk * m
		h33 += w * m * m
	}
	g[0], g[1], g[2] = g0, g1, g2
	if n == 3 {
		h[0], h[3], h[4], h[6], h[7], h[8] = h00, h10, h11, h20, h21, h22
		return cost
	}
	d := (gain - 1) / f.ug
	g[3] = g3 + d/f.ug
	h[0], h[4], h[5], h[8], h[9], h[10] = h00, h10, h11, h20, h21, h22
	h[12], h[13], h[14], h[15] = h30, h31, h32, h33+1/(f.ug*f.ug)
	return cost + d*d/2
}

// cell profiles one cell: its weight (information about s), the derivative
// of the log likelihood by s, and its part of the cost. It leaves the rates
// in c.m and c.mu.
func (f *zoneFit) cell(i int, s, g float64) (w, t, cost float64) {
	c := f.c
	x, y := c.x[i], c.y[i]
	ne, nt := c.re[i], c.rt[i]
	if !f.e.first {
		m, mu := profile(x, y, ne, nt, s, g)
		c.m[i], c.mu[i] = m, mu
		cost = ne*m + nt*mu
		if x > 0 {
			cost -= x * math.Log(m)
		}
		if y > 0 {
			cost -= y * math.Log(mu)
		}
		return weight(mu/nt, g*g*m/ne, nt), slope(x, y, ne, nt, m, mu, g), cost
	}
	m, mu := c.m[i], c.mu[i]
	for range 20 {
		ne, nt = exposure(c.re[i], x, m), exposure(c.rt[i], y, mu)
		a, b := profile(x, y, ne, nt, s, g)
		d := math.Abs(a-m) + math.Abs(b-mu)
		if m, mu = a, b; d <= 1e-9*(a+b) {
			break
		}
	}
	c.m[i], c.mu[i] = m, mu
	cost = -firstPhotonLog(c.re[i], x, m) - firstPhotonLog(c.rt[i], y, mu)
	return weight(grown(mu)/c.rt[i], g*g*grown(m)/c.re[i], nt), slope(x, y, ne, nt, m, mu, g), cost
}

// weight is the information that a cell holds about the return's rate: the
// variances of both captures add. A cell that saw nothing counts as having
// expected a twentieth of a count.
func weight(vt, ve, nt float64) float64 {
	v := vt + ve
	if v*nt*nt < 0.05 {
		return nt * nt / 0.05
	}
	return 1 / v
}

// slope is the derivative of the profiled log likelihood by s; the empty
// cell's own equation gives it where the target rate is zero.
func slope(x, y, ne, nt, m, mu, g float64) float64 {
	switch {
	case mu > 0:
		return y/mu - nt
	case m > 0:
		return (ne - x/m) / g
	}
	return -nt
}

// emptyFit is the likelihood of one capture alone: L·pulse(t−τ) + a.
type emptyFit struct {
	e            *Estimator
	c            *cells
	tau0, margin float64
}

func (f *emptyFit) clip(x, step []float64) float64 {
	part := 1.0
	if lim, d := f.e.pulse.fwhm/2, math.Abs(step[1]); d > lim {
		part = lim / d
	}
	for _, i := range [2]int{0, 2} { // amplitude and ambient stay positive: nine tenths of the way at most
		if x[i]+part*step[i] < x[i]/10 {
			part = -0.9 * x[i] / step[i]
		}
	}
	return part
}

func (f *emptyFit) eval(x, g, h []float64) float64 {
	L, tau, a := x[0], x[1], x[2]
	clear(g)
	clear(h)
	if math.Abs(tau-f.tau0) > f.margin {
		return math.Inf(1)
	}
	c := f.c
	c.aim(f.e, tau)
	var cost float64
	for i := range c.n {
		k := c.k[i]
		mu := L*c.p[i] + a*k
		if !(mu > 0) {
			return math.Inf(1)
		}
		y, n := c.y[i], c.rt[i]
		var w, t float64
		if f.e.first {
			cost -= firstPhotonLog(n, y, mu)
			w, t = n/grown(mu), y/mu-exposure(n, y, mu)
		} else {
			cost += n * mu
			if y > 0 {
				cost -= y * math.Log(mu)
			}
			w, t = n/mu, y/mu-n
		}
		p, q := c.p[i], L*c.dp[i]
		g[0] -= t * p
		g[1] -= t * q
		g[2] -= t * k
		h[0] += w * p * p
		h[3] += w * p * q
		h[4] += w * q * q
		h[6] += w * p * k
		h[7] += w * q * k
		h[8] += w * k * k
		c.mu[i] = mu
	}
	return cost
}
