package estimate

import "math"

// Fit is one zone's capture beside what was fitted to it: counts per shot in
// each bin, pile-up undone. The three parts add up to what should have been
// counted.
type Fit struct {
	Counted, SD []float64 // SD as noise of the fitted rate gives it
	Leakage     []float64
	Ambient     []float64
	Signal      []float64 // nil of an empty capture
}

// Fitted says what was fitted to a zone of a capture h: of the empty one where
// o is nil, else of the target's. A part that was not found is 0; a zone that
// is not there gives an empty Fit.
func (e *Estimator) Fitted(h Histogram, l *Leakage, o *Offsets, z int) Fit {
	if l.summary || z < 0 || z >= e.zones || e.checkHistogram(h) != nil {
		return Fit{}
	}
	n := e.bins
	f := Fit{Counted: make([]float64, n), SD: make([]float64, n), Leakage: make([]float64, n), Ambient: make([]float64, n)}
	risk, variance, slope := make([]float64, n), make([]float64, n), make([]float64, n)
	e.load(h.Shots, h.Counts[z*n:(z+1)*n], slope, risk, f.Counted, variance)
	ambient, gain := l.Zones[z].Ambient, 1.0
	pulse := make([]float64, n)
	at := func(tau, rate float64, into []float64) {
		e.pulse.bins(e.edges, tau, 1, pulse, slope)
		for b := range into {
			into[b] = rate * pulse[b]
		}
	}
	if o == nil {
		if fit := l.fits[z]; fit.found {
			at(fit.tau, fit.rate, f.Leakage)
		}
	} else {
		f.Signal = make([]float64, n)
		ambient = o.Zones[z].Ambient
		if fit := o.fits[z]; fit.found {
			gain = fit.g
			at(fit.tau, fit.rate, f.Signal)
		}
		r := l.fits[z].reached
		for b := r[0]; b < r[1]; b++ {
			f.Leakage[b] = gain * l.net[z*n+b]
		}
	}
	for b := range n {
		if !math.IsNaN(ambient) {
			f.Ambient[b] = ambient * e.wide[b]
		}
		mean := f.Leakage[b] + f.Ambient[b]
		if f.Signal != nil {
			mean += f.Signal[b]
		}
		f.SD[b] = math.NaN()
		if risk[b] > 0 {
			f.SD[b] = math.Sqrt(max(mean, 1/risk[b]) / risk[b])
		}
	}
	return f
}
