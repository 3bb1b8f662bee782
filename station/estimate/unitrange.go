package estimate

import (
	"math"

	"example.org/panecal/limits/quantity"
)

// unitRange is how the product's own firmware makes a delay (ps) of a net
// histogram: the signal-weighted mean time over all bins, or an unweighted
// least-squares fit of the product's pulse (size, delay, ambient) begun at
// the best place of a bin-by-bin search. variance, nil for none, is that of
// each bin; the second result is the standard uncertainty it gives the delay.
func (e *Estimator) unitRange(net, variance []float64) (ps, u float64) {
	if e.setup.Ranging == RangingMean {
		var s, t float64
		for b, v := range net {
			s += v
			t += v * (e.edge(b) + e.edge(b+1)) / 2
		}
		if !(s > 0) {
			return math.NaN(), math.NaN()
		}
		mean, v := t/s, 0.0
		for b, x := range variance {
			d := (e.edge(b)+e.edge(b+1))/2 - mean
			v += x * d * d
		}
		return mean, math.Sqrt(v) / s
	}
	f := &squares{e: e, net: net, p: make([]float64, e.bins), dp: make([]float64, e.bins)}
	m := &minimiser{}
	best, n, total := 0.0, float64(len(net)), 0.0
	for _, v := range net {
		total += v
	}
	c := &e.combs[0]
	for b := range e.bins { // size and ambient follow in closed form at each delay
		var pp, p1, pv float64
		for j, p := range c.share {
			if i := b + c.off + j; i >= 0 && i < len(net) {
				pp += p * p
				p1 += p
				pv += p * net[i]
			}
		}
		det := pp*n - p1*p1
		if !(det > 1e-9*pp*n) {
			continue
		}
		size, amb := (pv*n-total*p1)/det, (total*pp-pv*p1)/det
		if gain := size*pv + amb*total; size > 0 && gain > best {
			best = gain
			m.x[0], m.x[1], m.x[2] = size, e.delay(b, 0), amb
		}
	}
	if best == 0 {
		return math.NaN(), math.NaN()
	}
	scale := 0.0
	for _, v := range net {
		scale += v * v
	}
	if !m.run(f, 3, 200, 1e-16*scale) && math.IsInf(m.cost, 0) {
		return math.NaN(), math.NaN()
	}
	if variance != nil { // J⁻¹ (Σ dᵀ v d) J⁻¹ for the delay
		var row [3]float64
		m.variance(1, row[:])
		for b, v := range variance {
			d := row[0]*f.p[b] + row[1]*m.x[0]*f.dp[b] + row[2]
			u += d * d * v
		}
	}
	return m.x[1], math.Sqrt(u)
}

// squares is half the sum of squares of net − (size·pulse(t−τ) + ambient).
type squares struct {
	e          *Estimator
	net, p, dp []float64
}

func (f *squares) clip(x, step []float64) float64 {
	if lim, d := f.e.pulse.fwhm/2, math.Abs(step[1]); d > lim {
		return lim / d
	}
	return 1
}

func (f *squares) eval(x, g, h []float64) float64 {
	clear(g)
	clear(h)
	f.e.pulse.bins(f.e.edges, x[1], 1, f.p, f.dp)
	var cost float64
	for b, v := range f.net {
		p, q := f.p[b], x[0]*f.dp[b]
		r := v - x[0]*p - x[2]
		cost += r * r / 2
		g[0] -= r * p
		g[1] -= r * q
		g[2] -= r
		h[0] += p * p
		h[3] += p * q
		h[4] += q * q
		h[6] += p
		h[7] += q
		h[8]++
	}
	return cost
}

// expectedNet fills net with the rates of a zone's return and of extra, the
// leakage that a unit has left in.
func (e *Estimator) expectedNet(net []float64, rate, tau float64, extra []float64, share float64) {
	dp := make([]float64, len(net))
	e.pulse.bins(e.edges, tau, 1, net, dp)
	for b := range net {
		net[b] *= rate
		if extra != nil {
			net[b] += share * extra[b]
		}
	}
}

// reachedNet is a zone's leakage rates, zero where the leakage does not reach.
func (l *Leakage) reachedNet(e *Estimator, z int) []float64 {
	out := make([]float64, e.bins)
	r := l.fits[z].reached
	copy(out[r[0]:r[1]], l.net[z*e.bins+r[0]:z*e.bins+r[1]])
	return out
}

// unitDifference returns, for a product whose own range the offset corrects,
// how much longer that range is than ours in each zone: from the ranges the
// unit reported with its compensation off, un-mixed from its leakage by
// running its method on the measured return with and without it; else by
// running its method on our net histogram. nil for a product that ranges
// here. It puts estimator.difference.
func (e *Estimator) unitDifference(l *Leakage, o *Offsets, unit *Summary, used []int) []float64 {
	if o.summary || e.setup.Corrects != CorrectsUnit && unit == nil {
		return nil
	}
	differ := make([]float64, e.zones)
	var mean, v float64
	net, vary := make([]float64, e.bins), make([]float64, e.bins)
	n := 0
	for _, z := range used {
		f := &o.fits[z]
		leak := l.reachedNet(e, z)
		e.expectedNet(net, f.rate, f.tau, nil, 0)
		clean, _ := e.unitRange(net, nil)
		var d, u float64
		if unit != nil {
			e.expectedNet(net, f.rate, f.tau, leak, f.g)
			mixed, _ := e.unitRange(net, nil)
			d = unit.Zones[z].RangeMM - mmPerPS*(mixed-clean) - e.distance(f.tau)
			u = math.Hypot(unit.Zones[z].RangeUMM, o.Zones[z].RangeUMM)
		} else {
			// The method's own noise belongs to the capture, not to the
			// difference of two methods: both saw the same photons.
			for b := range vary {
				vary[b] = net[b] / float64(o.shots)
			}
			_, u = e.unitRange(net, vary)
			d, u = mmPerPS*(clean-f.tau), mmPerPS*u
		}
		if math.IsNaN(d) {
			continue
		}
		differ[z] = d
		mean += d
		v += u * u
		n++
	}
	if n == 0 {
		return nil
	}
	o.Quantities.Put(quantity.EstimatorDifference, mean/float64(n), math.Sqrt(v)/float64(n))
	if e.setup.Corrects != CorrectsUnit {
		return nil
	}
	return differ
}
