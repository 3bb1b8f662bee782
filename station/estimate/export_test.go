package estimate

import "slices"

// Minimise drives the core of the fits with a model of its own: eval returns
// the cost at x and fills gradient and curvature (n×n).
func Minimise(x []float64, eval func(x, g, h []float64) float64, tol float64) (best []float64, cost float64, cov func(i int) []float64, ok bool) {
	m := &minimiser{}
	copy(m.x[:], x)
	ok = m.run(driven{eval}, len(x), 2000, tol)
	best = append([]float64{}, m.x[:len(x)]...)
	return best, m.cost, func(i int) []float64 {
		row := make([]float64, len(x))
		m.variance(i, row)
		return row
	}, ok
}

type driven struct {
	f func(x, g, h []float64) float64
}

func (d driven) eval(x, g, h []float64) float64 { return d.f(x, g, h) }
func (d driven) clip(x, step []float64) float64 { return 1 }

// FitPlane fits offset, slopes and distance to radial ranges; fixed
// parameters keep their start.
func FitPlane(ux, uy, sec, r, u []float64, start [4]float64, fix [4]bool) (x [4]float64, cov [4][4]float64, tilt Tilt, ok bool) {
	f := fitPlane(ux, uy, sec, r, u, start, fix)
	return f.x, f.cov, f.tilt(), f.ok
}

// Dispersion is the index of dispersion with its two tails.
func Dispersion(x []float64) (index, upper, lower float64) {
	mean := 0.0
	for _, v := range x {
		mean += v / float64(len(x))
	}
	d := dispersion(x, mean, mean)
	return d.index, d.pIndex, lowerTail(d.index, d.df)
}

// Deviate is the normal deviate of Σ coef·(count − mean) = x for Poisson
// counts of the given means.
func Deviate(coef, mean []float64, x float64) float64 {
	n := len(coef)
	t := newStrayTest(n)
	copy(t.coef, coef)
	copy(t.mean, mean)
	copy(t.v0, mean)
	return t.deviate(&Estimator{bins: n}, nil, x, 0)
}

// CombinedU is the standard uncertainty of one zone with the given lines.
func CombinedU(mm ...float64) float64 {
	var p parts
	copy(p[:], mm)
	return p.u()
}

// UnitRange runs the product's own ranging on net rates.
func (e *Estimator) UnitRange(net, variance []float64) (ps, u float64) {
	ps, u = e.unitRange(net, variance)
	return ps + e.setup.FirstBinPS, u
}

// TargetLikelihood returns cost, gradient and curvature of the joint fit of
// zone z at x = (S, τ, A, g), gathered about tau0.
func (e *Estimator) TargetLikelihood(l *Leakage, h Histogram, z int, x []float64, tau0 float64) (cost float64, g, hess []float64) {
	w := e.worker()
	nb := e.bins
	e.load(l.shots, l.counts[z*nb:(z+1)*nb], w.z.x, w.z.re, w.z.lx, w.z.vx)
	e.load(h.Shots, h.Counts[z*nb:(z+1)*nb], w.z.y, w.z.rt, w.z.ly, w.z.vy)
	w.z.useEmpty = true
	f := &w.zf
	zero := e.setup.FirstBinPS
	x, tau0 = slices.Clone(x), tau0-zero
	x[1] -= zero
	f.e, f.c, f.ug, f.tau0, f.margin = e, &w.c, e.setup.Budget.LeakageChangeU, tau0, 1e4
	w.c.gather(&w.z, e.reached(-zero, 1000), e.reached(tau0, 1000))
	n := len(x)
	g, hess = make([]float64, n), make([]float64, n*n)
	return f.eval(x, g, hess), g, hess
}

// EmptyLikelihood is the same for the empty capture alone, x = (L, τ, a).
func (e *Estimator) EmptyLikelihood(h Histogram, z int, x []float64) (cost float64, g, hess []float64) {
	w := e.worker()
	nb := e.bins
	w.z.useEmpty = false
	e.load(h.Shots, h.Counts[z*nb:(z+1)*nb], w.z.y, w.z.rt, w.z.ly, w.z.vy)
	f := &w.ef
	x = slices.Clone(x)
	x[1] -= e.setup.FirstBinPS
	f.e, f.c, f.tau0, f.margin = e, &w.c, x[1], 1e4
	w.c.gather(&w.z, e.reached(x[1], 1000), [2]int{})
	g, hess = make([]float64, 3), make([]float64, 9)
	return f.eval(x, g, hess), g, hess
}

// PulseWidthDerivative returns the shares of bins 0 to n−1 and their
// derivatives by delay and width.
func (e *Estimator) PulseWidthDerivative(tau, width float64) (p, byDelay, byWidth []float64) {
	n := e.bins
	tau -= e.setup.FirstBinPS
	p, byDelay, byWidth = make([]float64, n), make([]float64, n), make([]float64, n)
	e.pulse.bins(e.edges, tau, width, p, byDelay)
	e.pulse.stretch(e.edges, tau, width, byWidth)
	return p, byDelay, byWidth
}

// PulseMoments are full width at half maximum, mode and mean.
func (e *Estimator) PulseMoments() (fwhm, mode, mean float64) {
	return e.pulse.fwhm, e.pulse.mode, e.pulse.mean
}

// ZoneLoop returns one pass over all zones with everything in it, on memory
// that is there already.
func (e *Estimator) ZoneLoop(empty, target Histogram) func() {
	w := e.worker()
	l, _ := e.Empty(empty)
	o := &Offsets{Zones: make([]ZoneOffset, e.zones), shots: target.Shots, fits: make([]targetResult, e.zones)}
	nb := e.bins
	c := e.setup.Checks
	var back [3]float64
	return func() {
		w.misfit.start(e)
		for z := range e.zones {
			w.emptyZone(l, z, empty.Counts[z*nb:(z+1)*nb], e.ceiling(empty.Counts))
			f := &l.fits[z]
			w.widthStep(f, 1, &back)
			w.stray.counting(e, &w.z, [3]float64{f.rate, f.tau, f.ambient}, 1)
			w.stray.roughness(&w.z, f.reached, w.d)
			w.stray.run(e, &w.z, [3]float64{f.rate, f.tau, f.ambient}, 1, 0, 4e-4, c.PulseWidth, 3)
			w.targetZone(l, o, z, target.Counts[z*nb:(z+1)*nb], e.ceiling(target.Counts))
		}
	}
}

// Exposure and FirstPhotonLog are the first-photon pieces of the likelihood.
func Exposure(n, h, rate float64) float64       { return exposure(n, h, rate) }
func FirstPhotonLog(n, h, rate float64) float64 { return firstPhotonLog(n, h, rate) }

// Profile is the closed form of the empty cell's rate.
func Profile(x, y, ne, nt, s, g float64) (m, mu float64) { return profile(x, y, ne, nt, s, g) }
