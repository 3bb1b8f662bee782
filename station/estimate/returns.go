package estimate

import "math"

// pairFit is a weighted least-squares fit of two returns and an ambient to
// what the leakage leaves of a target capture: x = S1, τ1, S2, τ2, A. Weights
// are those of the test that doubts the one return.
type pairFit struct {
	e              *Estimator
	y, w           []float64
	p1, d1, p2, d2 []float64
}

func newPairFit(bins int) pairFit {
	f := func() []float64 { return make([]float64, bins) }
	return pairFit{y: f(), w: f(), p1: f(), d1: f(), p2: f(), d2: f()}
}

func (f *pairFit) clip(x, step []float64) float64 {
	part := 1.0
	for _, i := range [2]int{1, 3} {
		if lim, d := f.e.pulse.fwhm/4, math.Abs(step[i]); d > lim {
			part = min(part, lim/d)
		}
	}
	return part
}

func (f *pairFit) eval(x, g, h []float64) float64 {
	clear(g)
	clear(h)
	f.e.pulse.bins(f.e.edges, x[1], 1, f.p1, f.d1)
	f.e.pulse.bins(f.e.edges, x[3], 1, f.p2, f.d2)
	var cost float64
	for b, w := range f.w {
		k := f.e.wide[b]
		r := f.y[b] - x[0]*f.p1[b] - x[2]*f.p2[b] - x[4]*k
		cost += w * r * r / 2
		col := [5]float64{f.p1[b], x[0] * f.d1[b], f.p2[b], x[2] * f.d2[b], k}
		for i := range 5 {
			g[i] -= w * r * col[i]
			for j := range i + 1 {
				h[i*5+j] += w * col[i] * col[j]
			}
		}
	}
	return cost
}

// split looks for two returns in a zone that one does not explain: at is
// where a further one stands out, NaN where nothing does. It returns none
// where two explain it no better; a return that belongs to the zone's range
// is among them.
func (w *worker) split(fit *targetResult, at float64) []Return {
	e, f, m := w.e, &w.pair, &w.min
	f.e = e
	for b := range f.y {
		f.y[b], f.w[b] = w.z.ly[b]-fit.g*w.z.lx[b], w.misfit.w[b]
		if f.w[b] == 0 {
			f.y[b] = 0
		}
	}
	wide := e.pulse.fwhm
	starts := [][2]float64{{fit.tau - wide/2, fit.tau + wide/2}, {fit.tau - wide/4, fit.tau + wide}, {fit.tau - wide, fit.tau + wide/4}}
	if !math.IsNaN(at) {
		starts = append(starts, [2]float64{fit.tau, at})
	}
	best := math.Inf(1)
	var x [5]float64
	var u [2]float64
	for i, s := range starts {
		m.x = [maxPar]float64{fit.rate / 2, s[0], fit.rate / 2, s[1], fit.a}
		if i == 3 {
			m.x[0], m.x[2] = fit.rate, fit.rate/10
		}
		m.run(f, 5, evalLimit, gainTol)
		if !finite(m.cost) || m.cost >= best || !finite(m.x[:5]...) {
			continue
		}
		best = m.cost
		copy(x[:], m.x[:5])
		m.factor()
		m.covariance(0, w.row[:5])
		u[0] = math.Sqrt(w.row[0])
		m.covariance(2, w.row[:5])
		u[1] = math.Sqrt(w.row[2])
	}
	if !(x[0] > minSignificance*u[0]) || !(x[2] > minSignificance*u[1]) {
		return nil
	}
	out := []Return{{e.distance(x[1]), x[0]}, {e.distance(x[3]), x[2]}}
	if out[0].RangeMM > out[1].RangeMM {
		out[0], out[1] = out[1], out[0]
	}
	return out
}
