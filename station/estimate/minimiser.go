package estimate

import "math"

// maxPar is the largest number of parameters of a fit.
const maxPar = 8

// problem is a smooth cost to minimise: a negative log likelihood, or half a
// sum of squares.
type problem interface {
	// eval returns the cost at x (+Inf where x is impossible) and fills the
	// gradient g and the curvature h, row-major n×n and positive
	// semi-definite: the expected one (Fisher, JᵀJ) rather than the exact.
	eval(x, g, h []float64) float64
	// clip returns which part of the step from x may be taken, in (0, 1].
	clip(x, step []float64) float64
}

// minimiser is the core of every fit of the package: scoring steps (Gauss,
// Newton, Fisher), damped after Levenberg and Marquardt where one fails. It
// owns all of its memory and can be used again.
type minimiser struct {
	n      int
	x      [maxPar]float64
	g      [maxPar]float64
	h      [maxPar * maxPar]float64
	cost   float64
	rounds int
	trialX [maxPar]float64
	trialG [maxPar]float64
	trialH [maxPar * maxPar]float64
	step   [maxPar]float64
	scale  [maxPar]float64
	chol   [maxPar * maxPar]float64
	sound  bool // chol is the factor of h, to a unit diagonal
}

// run starts from m.x[:n] and stops when a whole step would lower the cost
// by less than tol, which is then taken without a new evaluation: x is better
// than g, h and cost tell. It reports false where no such point was reached
// in limit evaluations; x is then the best point seen.
func (m *minimiser) run(p problem, n, limit int, tol float64) bool {
	m.n = n
	m.cost = p.eval(m.x[:n], m.g[:n], m.h[:n*n])
	if math.IsNaN(m.cost) {
		m.cost = math.Inf(1)
	}
	damp := 0.0
	for m.rounds = 1; m.rounds < limit; {
		if !m.solve(damp) {
			if damp = max(10*damp, 1e-3); damp > 1e9 {
				return false
			}
			continue
		}
		gain := 0.0
		for i := range n {
			gain -= m.g[i] * m.step[i] / 2
		}
		part := p.clip(m.x[:n], m.step[:n])
		if gain < tol && damp == 0 && part == 1 {
			for i := range n {
				m.x[i] += m.step[i]
			}
			return true
		}
		for i := range n {
			m.trialX[i] = m.x[i] + part*m.step[i]
		}
		c := p.eval(m.trialX[:n], m.trialG[:n], m.trialH[:n*n])
		m.rounds++
		if c <= m.cost+1e-13*math.Abs(m.cost) {
			stuck := m.cost-c < tol && damp > 0
			m.cost, m.x, m.g = c, m.trialX, m.trialG
			copy(m.h[:n*n], m.trialH[:n*n])
			if damp = damp / 10; damp < 1e-4 || stuck {
				damp = 0
			}
			continue
		}
		if damp = max(10*damp, 1e-3); damp > 1e9 {
			return gain < tol // a corner of the cost: nothing better within reach
		}
	}
	return false
}

// solve sets step = −(h + damp·diag h)⁻¹ g. A parameter without curvature
// stays where it is.
func (m *minimiser) solve(damp float64) bool {
	n := m.n
	var s [maxPar]float64
	for i := range n {
		if d := m.h[i*n+i]; d > 0 && !math.IsInf(d, 0) {
			s[i] = 1 / math.Sqrt(d)
		}
		m.step[i] = -m.g[i] * s[i]
	}
	for i := range n {
		for j := range i {
			m.chol[i*n+j] = m.h[i*n+j] * s[i] * s[j]
		}
		m.chol[i*n+i] = 1 + damp
	}
	if !cholesky(m.chol[:n*n], n) {
		return false
	}
	forward(m.chol[:n*n], m.step[:n])
	backward(m.chol[:n*n], m.step[:n])
	for i := range n {
		m.step[i] *= s[i]
		if math.IsNaN(m.step[i]) {
			return false
		}
	}
	return true
}

// variance returns row i of the inverse of h in row: the covariances of
// parameter i, all NaN where h has none.
func (m *minimiser) variance(i int, row []float64) {
	m.factor()
	m.covariance(i, row)
}

// factor prepares covariance for several rows of one h.
func (m *minimiser) factor() {
	n := m.n
	s := &m.scale
	clear(s[:])
	for j := range n {
		if d := m.h[j*n+j]; d > 0 && !math.IsInf(d, 0) {
			s[j] = 1 / math.Sqrt(d)
		}
	}
	for a := range n {
		for b := range a {
			m.chol[a*n+b] = m.h[a*n+b] * s[a] * s[b]
		}
		m.chol[a*n+a] = 1
	}
	m.sound = cholesky(m.chol[:n*n], n)
}

// covariance is variance once h is factored.
func (m *minimiser) covariance(i int, row []float64) {
	n := m.n
	if m.scale[i] == 0 || !m.sound {
		for j := range n {
			row[j] = math.NaN()
		}
		return
	}
	row = row[:n]
	clear(row)
	row[i] = m.scale[i]
	forward(m.chol[:n*n], row)
	backward(m.chol[:n*n], row)
	for j := range row {
		row[j] *= m.scale[j]
	}
}

// cholesky replaces the lower triangle of a, row-major n×n, by its factor.
func cholesky(a []float64, n int) bool {
	for i := range n {
		for j := range i + 1 {
			v := a[i*n+j]
			for k := range j {
				v -= a[i*n+k] * a[j*n+k]
			}
			if i > j {
				a[i*n+j] = v / a[j*n+j]
				continue
			}
			if !(v > 1e-14) { // unit diagonal before: nothing is left of this direction
				return false
			}
			a[i*n+i] = math.Sqrt(v)
		}
	}
	return true
}

func forward(l, b []float64) {
	n := len(b)
	for i := range n {
		for k := range i {
			b[i] -= l[i*n+k] * b[k]
		}
		b[i] /= l[i*n+i]
	}
}

func backward(l, b []float64) {
	n := len(b)
	for i := n - 1; i >= 0; i-- {
		for k := i + 1; k < n; k++ {
			b[i] -= l[k*n+i] * b[k]
		}
		b[i] /= l[i*n+i]
	}
}

// forward4 and backward4 are the same for four, for the loops over zones.
func forward4(l *[16]float64, b *[4]float64) {
	b0 := b[0] / l[0]
	b1 := (b[1] - l[4]*b0) / l[5]
	b2 := (b[2] - l[8]*b0 - l[9]*b1) / l[10]
	b3 := (b[3] - l[12]*b0 - l[13]*b1 - l[14]*b2) / l[15]
	b[0], b[1], b[2], b[3] = b0, b1, b2, b3
}

func backward4(l *[16]float64, b *[4]float64) {
	b3 := b[3] / l[15]
	b2 := (b[2] - l[14]*b3) / l[10]
	b1 := (b[1] - l[9]*b2 - l[13]*b3) / l[5]
	b0 := (b[0] - l[4]*b1 - l[8]*b2 - l[12]*b3) / l[0]
	b[0], b[1], b[2], b[3] = b0, b1, b2, b3
}
