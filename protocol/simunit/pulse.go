package simunit

import (
	"fmt"
	"math"
)

// Pulse is the shape of a return over time: a density tabulated from StartPS
// in steps, linear between its points, zero outside them, normalised by its
// integral. A pulse of delay τ is the table shifted by τ.
type Pulse struct {
	StartPS, StepPS float64
	Density         []float64
}

// integral is a pulse ready to be integrated over bins.
type integral struct {
	start, step float64
	density     []float64 // normalised, 1/ps
	sum         []float64 // integral up to each point; the last is 1
	mean        float64   // ps
}

func newIntegral(p Pulse) (*integral, error) {
	if !(p.StepPS > 0) || len(p.Density) < 2 {
		return nil, fmt.Errorf("pulse: a step above 0 and two points at least")
	}
	q := &integral{start: p.StartPS, step: p.StepPS, density: make([]float64, len(p.Density)),
		sum: make([]float64, len(p.Density))}
	for i := 1; i < len(p.Density); i++ {
		q.sum[i] = q.sum[i-1] + p.StepPS*(p.Density[i-1]+p.Density[i])/2
	}
	total := q.sum[len(q.sum)-1]
	if !(total > 0) || math.IsInf(total, 0) {
		return nil, fmt.Errorf("pulse: integral %g is not a positive number", total)
	}
	for i := range q.density {
		q.density[i] = p.Density[i] / total
		q.sum[i] /= total
	}
	for i := 1; i < len(q.density); i++ {
		// First moment of a linear piece of density.
		a, b, left := q.density[i-1], q.density[i], q.start+float64(i-1)*q.step
		q.mean += left*(a+b)/2*q.step + (a+2*b)/6*q.step*q.step
	}
	return q, nil
}

// upTo integrates the density from minus infinity to t ps.
func (q *integral) upTo(t float64) float64 {
	x := (t - q.start) / q.step
	switch {
	case !(x > 0):
		return 0
	case x >= float64(len(q.sum)-1):
		return 1
	}
	i := int(x)
	f := x - float64(i)
	return q.sum[i] + q.step*f*(q.density[i]+(q.density[i+1]-q.density[i])*f/2)
}

// at is the density in 1/ps.
func (q *integral) at(t float64) float64 {
	x := (t - q.start) / q.step
	if !(x >= 0) || x >= float64(len(q.density)-1) {
		return 0
	}
	i := int(x)
	f := x - float64(i)
	return q.density[i]*(1-f) + q.density[i+1]*f
}

// between is the share of a pulse of delay τ and relative width that falls
// into [from, to). The pulse is stretched about its mean, so that width alone
// moves no centroid.
func (q *integral) between(from, to, delay, width float64) float64 {
	at := func(t float64) float64 { return q.upTo(q.mean + (t-delay-q.mean)/width) }
	return at(to) - at(from)
}

// FWHM returns the full width at half maximum in ps, NaN for a table that does
// not rise and fall.
func (p Pulse) FWHM() float64 {
	half := 0.0
	for _, d := range p.Density {
		half = max(half, d/2)
	}
	rise, fall := math.NaN(), math.NaN()
	for i := 1; i < len(p.Density); i++ {
		a, b := p.Density[i-1], p.Density[i]
		cross := float64(i-1) + (half-a)/(b-a)
		if a < half && b >= half && math.IsNaN(rise) {
			rise = cross
		}
		if a >= half && b < half {
			fall = cross
		}
	}
	return (fall - rise) * p.StepPS
}

// skewedPulse tabulates a Gaussian convolved with an exponential tail, shifted
// so that its highest point is at 0.
func skewedPulse(sigma, tail, start, step float64, points int) Pulse {
	shape := func(t float64) float64 {
		z := (sigma/tail - t/sigma) / math.Sqrt2
		return math.Exp(sigma*sigma/(2*tail*tail)-t/tail) * math.Erfc(z)
	}
	peak, best := 0.0, 0.0
	for t := -sigma; t < sigma+2*tail; t += 0.5 {
		if s := shape(t); s > best {
			peak, best = t, s
		}
	}
	p := Pulse{StartPS: start, StepPS: step, Density: make([]float64, points)}
	for i := range p.Density {
		p.Density[i] = shape(start+float64(i)*step+peak) / best
	}
	// The table ends at zero, as its definition says.
	p.Density[0], p.Density[points-1] = 0, 0
	return p
}
