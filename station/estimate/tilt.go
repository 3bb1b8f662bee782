package estimate

import (
	"math"
)

// Tilt is the target's tilt about the unit, from the zones' ranges: the plane
// z = D + SlopeX·x + SlopeY·y, so that a zone is D·sec/(1 − SlopeX·ux −
// SlopeY·uy) away. Known is false where the zones cannot tell (fewer than
// four, or all in a line).
type Tilt struct {
	Known            bool
	SlopeX, SlopeY   float64
	SlopeXU, SlopeYU float64
	Deg, DegU        float64 // atan of the slope; u holds the scatter of the zones
	ScatterMM        float64 // sd between zones beyond their own u
}

// plane is a target plane with an offset common to all zones:
// r = o + z0·sec/(1 − a·ux − b·uy). Parameters in the order o, a, b, z0.
type plane struct {
	ux, uy, sec, r, weight []float64
	fix                    [4]bool
}

func (p *plane) clip(x, step []float64) float64 { return 1 }

func (p *plane) model(x []float64, i int) float64 {
	return x[0] + x[3]*p.sec[i]/(1-x[1]*p.ux[i]-x[2]*p.uy[i])
}

func (p *plane) eval(x, g, h []float64) float64 {
	clear(g)
	clear(h)
	var cost float64
	for i := range p.r {
		q := 1 - x[1]*p.ux[i] - x[2]*p.uy[i]
		if !(q > 0) {
			return math.Inf(1)
		}
		s := p.sec[i] / q
		res := p.r[i] - x[0] - x[3]*s
		d := [4]float64{1, x[3] * s * p.ux[i] / q, x[3] * s * p.uy[i] / q, s}
		w := p.weight[i]
		cost += w * res * res / 2
		for j := range 4 {
			if p.fix[j] {
				continue
			}
			g[j] -= w * res * d[j]
			for k := range j + 1 {
				if !p.fix[k] {
					h[j*4+k] += w * d[j] * d[k]
				}
			}
		}
	}
	return cost
}

// planeFit is a fitted plane: o, a, b, z0 and their covariances. A fixed
// parameter has none.
type planeFit struct {
	ok      bool
	x       [4]float64
	cov     [4][4]float64
	scatter float64 // variance between zones beyond u
}

// fitPlane fits the free parameters to radial ranges r with standard
// uncertainties u. A scatter common to all zones is added to u as large as
// the residuals ask for, so that the covariances hold it.
func fitPlane(ux, uy, sec, r, u []float64, start [4]float64, fix [4]bool) planeFit {
	out := planeFit{x: start}
	free := 0
	for _, f := range fix {
		if !f {
			free++
		}
	}
	n := len(r)
	if n <= free {
		return out
	}
	p := &plane{ux: ux, uy: uy, sec: sec, r: r, weight: make([]float64, n), fix: fix}
	var m minimiser
	res2 := make([]float64, n)
	for range 3 {
		for i := range n {
			p.weight[i] = 1 / (u[i]*u[i] + out.scatter)
			if !(p.weight[i] > 0) || math.IsInf(p.weight[i], 0) {
				return planeFit{}
			}
		}
		m.x = [maxPar]float64{out.x[0], out.x[1], out.x[2], out.x[3]}
		if !m.run(p, 4, 200, 1e-12) {
			return planeFit{}
		}
		copy(out.x[:], m.x[:4])
		for i := range n {
			d := r[i] - p.model(m.x[:4], i)
			res2[i] = d * d
		}
		out.scatter = scatter(res2, u, float64(n-free))
	}
	for i := range 4 {
		if fix[i] {
			continue
		}
		m.variance(i, out.cov[i][:])
		if !(out.cov[i][i] > 0) {
			return planeFit{}
		}
	}
	out.ok = true
	return out
}

// scatter returns the variance s² ≥ 0 with Σ res²/(u² + s²) = df.
func scatter(res2, u []float64, df float64) float64 {
	// The sum falls and is convex: Newton's steps from below never pass the root.
	s := 0.0
	for range 60 {
		sum, slope := -df, 0.0
		for i, r := range res2 {
			w := 1 / (u[i]*u[i] + s)
			sum += r * w
			slope += r * w * w
		}
		step := sum / slope
		if !(step > 1e-15*s) {
			break
		}
		s += step
	}
	return s
}

// tilt turns a fit into a Tilt.
func (f planeFit) tilt() Tilt {
	if !f.ok {
		return Tilt{Deg: math.NaN(), DegU: math.NaN()}
	}
	a, b := f.x[1], f.x[2]
	va, vb, cab := f.cov[1][1], f.cov[2][2], f.cov[1][2]
	s := math.Hypot(a, b)
	v := (va + vb) / 2
	if s*s > v { // along the slope; without one there is no direction
		v = (a*a*va + b*b*vb + 2*a*b*cab) / (s * s)
	}
	const deg = 180 / math.Pi
	return Tilt{
		Known: true, SlopeX: a, SlopeY: b, SlopeXU: math.Sqrt(va), SlopeYU: math.Sqrt(vb),
		Deg: deg * math.Atan(s), DegU: deg * math.Sqrt(v) / (1 + s*s), ScatterMM: math.Sqrt(f.scatter),
	}
}

// adds is what the tilt adds to a zone's radial distance at perpendicular
// distance d.
func (t Tilt) adds(g Grid, z int, d float64) float64 {
	if !t.Known {
		return 0
	}
	s := d * g.sec(z)
	return s/(1-t.SlopeX*g.Ux[z]-t.SlopeY*g.Uy[z]) - s
}
