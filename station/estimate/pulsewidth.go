package estimate

import (
	"math"

	"example.org/panecal/limits/quantity"
)

// measurePulse compares the unit's own pulse, which the empty capture holds,
// with the product's: its width, as one factor common to all zones with each
// zone's size, delay and ambient free (two scoring steps from the zones'
// fits), and the misfit, the share of the leakage that the product's pulse
// leaves unexplained beyond counting noise. It puts pulse.width and
// pulse.misfit where any zone has leakage.
func (e *Estimator) measurePulse(w *worker, l *Leakage) {
	l.width, l.widthU = math.NaN(), math.NaN()
	width, info := 1.0, 0.0
	var over, overVar, whole float64
	back := make([][3]float64, e.zones) // change of a zone's fit with the width
	for round := range 3 {
		var score float64
		info = 0
		for iz := range e.zones {
			f := &l.fits[iz]
			if !f.found || l.Zones[iz].Flags != 0 {
				continue
			}
			w.reload(l, iz)
			s := w.widthStep(f, width, &back[iz])
			score += s.score
			info += s.info
			if round == 0 {
				over += s.over
				overVar += s.overVar
				whole += s.whole
			}
		}
		if !(info > 0) {
			return
		}
		width = min(max(width+score/info, 0.5), 2)
		if math.Abs(score) < 0.1*math.Sqrt(info) {
			break
		}
	}
	l.width, l.widthU = width, 1/math.Sqrt(info)
	for iz := range l.fits {
		f := &l.fits[iz]
		f.wide = [3]float64{f.rate + back[iz][0]*(width-1), f.tau + back[iz][1]*(width-1), f.ambient}
	}
	l.Quantities.Put(quantity.PulseWidth, width*e.pulse.fwhm, l.widthU*e.pulse.fwhm)
	if !(whole > 0) {
		return
	}
	m2, u2 := over/whole, math.Sqrt(overVar)/whole
	m := math.Sqrt(max(m2, 0))
	u := math.Sqrt(u2) // near zero the square is what is measured
	if m2 > u2 {
		u = u2 / (2 * m)
	}
	l.Quantities.Put(quantity.PulseMisfit, m, u)
}

// widthDoubt is how far the unit's relative pulse width may be from 1, the
// width that the fit assumes: the product's allowance, 1 ± Checks.PulseWidth,
// combined with what the empty capture shows of it, by the weights of both.
// It is the root mean square about 1, so that a width that is seen to depart
// counts in full and one that is not seen counts as the allowance.
func (e *Estimator) widthDoubt(l *Leakage) float64 {
	allowed := e.setup.Checks.PulseWidth * e.setup.Checks.PulseWidth
	if math.IsNaN(l.width) || allowed == 0 {
		return math.Sqrt(allowed)
	}
	own := l.widthU * l.widthU
	share := allowed / (allowed + own) // of what is seen in the combined width
	return math.Hypot(share*(l.width-1), math.Sqrt(share*own))
}

// mostPhotons is where a bin that records one photon a shot at most says no
// more how many came: not one shot in e^20 has none, so that every count is
// full, and the variance of a rate read from it grows beyond all bounds.
const mostPhotons = 20

type widthScore struct {
	score, info          float64
	over, overVar, whole float64
}

// widthStep returns score and information of the width in one zone, size,
// delay and ambient eliminated. back is how these three (as offsets from the
// zone's fit) go with the width; it is where the next round looks from.
func (w *worker) widthStep(f *emptyResult, width float64, back *[3]float64) (out widthScore) {
	e, z := w.e, &w.z
	d := width - 1
	L, tau, a := f.rate+back[0]*d, f.tau+back[1]*d, f.ambient+back[2]*d
	a = max(a, 1e-3/(float64(e.bins)*max(z.rt[0], 1)))
	r := f.reached
	n := r[1] - r[0]
	p, dp, q := w.p[:n], w.q[:n], w.d[:n]
	e.pulse.bins(e.edges[r[0]:], tau, width, p, dp)
	e.pulse.stretch(e.edges[r[0]:], tau, width, q)
	var h [16]float64
	var g [4]float64
	add := func(y, n, mu float64, col [4]float64) {
		if !(n > 0) || !(mu > 0) {
			return
		}
		wt, t := n/mu, y/mu-n
		if e.first {
			wt, t = n/grown(mu), y/mu-exposure(n, y, mu)
		}
		for i := range 4 {
			g[i] += t * col[i]
			for j := range i + 1 {
				h[i*4+j] += wt * col[i] * col[j]
			}
		}
		if col[0] > 0 && !(e.first && mu > mostPhotons) {
			res, v := t/wt, 1/wt // residual and variance of the rate
			out.over += res*res - v
			out.overVar += 2*v*v + 4*v*max(0, res*res-v)
			out.whole += L * col[0] * L * col[0]
		}
	}
	for j := range n {
		b := r[0] + j
		k := e.wide[b]
		add(z.y[b], z.rt[b], L*p[j]+a*k, [4]float64{p[j], L * dp[j], k, L * q[j]})
	}
	var fy, ft, fk float64
	for b := range e.bins {
		if b < r[0] || b >= r[1] {
			fy += z.y[b]
			ft += z.rt[b]
			fk += z.rt[b] * e.wide[b]
		}
	}
	k := fk / max(ft, 1)
	add(fy, ft, a*k, [4]float64{0, 0, k, 0})
	var s [4]float64
	for i := range 4 {
		if !(h[i*4+i] > 0) {
			return widthScore{}
		}
		s[i] = 1 / math.Sqrt(h[i*4+i])
	}
	for i := range 4 {
		for j := range i + 1 {
			h[i*4+j] *= s[i] * s[j]
		}
		g[i] *= s[i]
	}
	var cross [3]float64
	copy(cross[:], h[12:15])
	if !cholesky(h[:], 4) {
		return widthScore{}
	}
	// The last pivot is what the width keeps after the others are eliminated.
	forward(h[:], g[:])
	out.score = g[3] * h[15] / s[3]
	out.info = h[15] * h[15] / (s[3] * s[3])
	var l3 [9]float64
	for i := range 3 {
		copy(l3[i*3:i*3+3], h[i*4:i*4+3])
	}
	forward(l3[:], cross[:])
	backward(l3[:], cross[:])
	for i := range 3 {
		back[i] = -cross[i] * s[i] / s[3]
	}
	return out
}
