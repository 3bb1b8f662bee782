package estimate

import (
	"fmt"
	"math"
)

// mmPerPS is half the speed of light: a return of delay τ comes from c·τ/2.
const mmPerPS = 299.792458 / 2 / 1000

// shape is a pulse ready for use: unit area, its integral tabulated, so that
// a bin's share is the difference of two look-ups and exact for the density
// that is linear between points.
type shape struct {
	start, step, inv float64
	f, cum           []float64 // density and its integral at the points
	mode, mean, sd   float64
	fwhm             float64
	lo, hi           float64 // outside [lo, hi] a pulse counts as not reaching
}

func newShape(p Pulse) (*shape, error) {
	n := len(p.Density)
	if n < 2 || n > 1<<20 || !(p.StepPS >= LeastPS && p.StepPS <= MostPS && math.Abs(p.StartPS) <= MostPS) {
		return nil, fmt.Errorf("%w: pulse of %d points from %g ps in steps of %g ps", ErrSetup, n, p.StartPS, p.StepPS)
	}
	s := &shape{start: p.StartPS, step: p.StepPS, inv: 1 / p.StepPS, f: make([]float64, n), cum: make([]float64, n)}
	peak := 0.0
	for i, d := range p.Density {
		if !(d >= 0) || math.IsInf(d, 0) {
			return nil, fmt.Errorf("%w: pulse density %g at point %d", ErrSetup, d, i)
		}
		peak = max(peak, d)
	}
	if peak == 0 {
		return nil, fmt.Errorf("%w: pulse density is zero everywhere", ErrSetup)
	}
	for i, d := range p.Density {
		s.f[i] = d / peak // before any sum: densities near the largest float must not overflow
		if i > 0 {
			s.cum[i] = s.cum[i-1] + (s.f[i-1]+s.f[i])/2*s.step
		}
	}
	area := s.cum[n-1]
	if !(area > 0) || !finite(area) {
		return nil, fmt.Errorf("%w: pulse has area %g", ErrSetup, area)
	}
	for i := range s.f {
		s.f[i] /= area
		s.cum[i] /= area
	}
	s.moments()
	s.reach(0)
	return s, nil
}

// moments are those of the density linear between points; the full width at
// half maximum is between the outermost crossings.
func (s *shape) moments() {
	top := 0
	for i := range s.f {
		if s.f[i] > s.f[top] {
			top = i
		}
	}
	s.mode = s.start + float64(top)*s.step
	var m1, m2 float64
	for i := 1; i < len(s.f); i++ {
		a, b := s.f[i-1], s.f[i]
		x := s.start + float64(i-1)*s.step - s.mode
		h := s.step
		m1 += h * (x*(a+b)/2 + h*(a/6+b/3))
		m2 += h * (x*x*(a+b)/2 + 2*x*h*(a/6+b/3) + h*h*(a/12+b/4))
	}
	s.mean = s.mode + m1
	s.sd = math.Sqrt(max(m2-m1*m1, 0))
	half := s.f[top] / 2
	left, right := s.start, s.start+float64(len(s.f)-1)*s.step
	for i := range top {
		if s.f[i+1] >= half {
			if s.f[i] < half {
				left = s.start + (float64(i)+(half-s.f[i])/(s.f[i+1]-s.f[i]))*s.step
			}
			break
		}
	}
	for i := len(s.f) - 1; i > top; i-- {
		if s.f[i-1] >= half {
			if s.f[i] < half {
				right = s.start + (float64(i)-(half-s.f[i])/(s.f[i-1]-s.f[i]))*s.step
			}
			break
		}
	}
	s.fwhm = right - left
}

// reach sets lo and hi to where at most eps of the pulse lies on either side.
func (s *shape) reach(eps float64) {
	n := len(s.f)
	i, j := 0, n-1
	for i < n-1 && s.cum[i+1] <= eps {
		i++
	}
	for j > 0 && 1-s.cum[j-1] <= eps {
		j--
	}
	s.lo, s.hi = s.start+float64(i)*s.step, s.start+float64(j)*s.step
}

// at returns the pulse's integral up to x and its density there.
func (s *shape) at(x float64) (integral, density float64) {
	u := (x - s.start) * s.inv
	if !(u > 0) {
		return 0, 0
	}
	i := int(u)
	if u >= float64(len(s.f)-1) {
		return 1, 0
	}
	r := u - float64(i)
	a, d := s.f[i], s.f[i+1]-s.f[i]
	return s.cum[i] + s.step*r*(a+d*r/2), a + d*r
}

// bins fills p with the share of the pulse of delay tau between edges[j] and
// edges[j+1] and dp with its derivative by tau; width stretches the pulse
// about zero of its own axis.
func (s *shape) bins(edges []float64, tau, width float64, p, dp []float64) {
	k := 1 / width
	F, f := s.at((edges[0] - tau) * k)
	for j := range p {
		G, g := s.at((edges[j+1] - tau) * k)
		p[j] = G - F
		dp[j] = (f - g) * k
		F, f = G, g
	}
}

// stretch fills q with the derivative of a bin's share by the width, at the
// given width: each edge moves by its distance from the pulse's own zero.
func (s *shape) stretch(edges []float64, tau, width float64, q []float64) {
	k := 1 / width
	x := (edges[0] - tau) * k
	_, f := s.at(x)
	for j := range q {
		y := (edges[j+1] - tau) * k
		_, g := s.at(y)
		q[j] = (x*f - y*g) * k
		x, f = y, g
	}
}
