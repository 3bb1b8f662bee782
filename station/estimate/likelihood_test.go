package estimate_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"

	"example.org/panecal/station/estimate"
)

// oneZone is one zone with both captures drawn from tr.
func oneZone(pile estimate.PileUp, ug float64, tr truth, shotsE, shotsT int64) (estimate.Setup, *estimate.Estimator, estimate.Histogram, estimate.Histogram, *source) {
	s := hopper(1, 1)
	s.PileUp = pile
	s.Pulse = skewed(150, 300, 20)
	s.Budget.LeakageChangeU = ug
	e, err := estimate.New(s)
	if err != nil {
		panic(err)
	}
	g := newSource(s, rand.New(rand.NewPCG(7, 7)))
	g.rates(tr)
	eh := estimate.Histogram{Shots: shotsE, Counts: make([]uint32, s.Bins), TempCel: math.NaN()}
	th := estimate.Histogram{Shots: shotsT, Counts: make([]uint32, s.Bins), TempCel: math.NaN()}
	g.draw(g.ratesE, shotsE, eh.Counts)
	g.draw(g.ratesT, shotsT, th.Counts)
	return s, e, eh, th, g
}

var likelihoodTruth = truth{leak: 0.03, leakTau: 40, ambient: 2e-4, ambientTarget: 3e-4, signal: 0.05, tau: 900, gain: 1.02}

// Analytic gradients against central differences of the cost, and the
// curvature against differences of the gradient on expected counts, where the
// expected and the observed information are the same.
func TestDerivatives(t *testing.T) {
	for _, pile := range []estimate.PileUp{estimate.NoPileUp, estimate.FirstPhoton} {
		_, e, eh, th, g := oneZone(pile, 0.02, likelihoodTruth, 4_000_000, 1_000_000)
		l, err := e.Empty(eh)
		if err != nil {
			t.Fatal(err)
		}
		size := []float64{0.05, 900, 1e-4, 1}
		for _, x := range [][]float64{{0.05, 900, 1e-4, 1.02}, {0.06, 820, 2e-4, 0.97}, {0.04, 1000, -1e-4, 1.05}, {0.05, 905, 1e-4}} {
			_, grad, hess := e.TargetLikelihood(l, th, 0, x, 900)
			compare(t, fmt.Sprintf("%s target at %v", pile, x), x, size, grad, hess, func(y []float64) float64 {
				c, _, _ := e.TargetLikelihood(l, th, 0, y, 900)
				return c
			})
		}
		for _, x := range [][]float64{{0.03, 40, 2e-4}, {0.028, 60, 2.2e-4}} {
			_, grad, hess := e.EmptyLikelihood(eh, 0, x)
			compare(t, fmt.Sprintf("%s empty at %v", pile, x), x, []float64{0.03, 900, 1e-4}, grad, hess, func(y []float64) float64 {
				c, _, _ := e.EmptyLikelihood(eh, 0, y)
				return c
			})
		}
		// Expected counts of very many shots.
		tr := likelihoodTruth
		g.rates(tr)
		const n = 4_000_000_000
		expected := func(rates []float64) estimate.Histogram {
			h := estimate.Histogram{Shots: n, Counts: make([]uint32, len(rates)), TempCel: math.NaN()}
			left := float64(n)
			for b, r := range rates {
				k := math.Round(n * r)
				if pile == estimate.FirstPhoton {
					k = math.Round(left * -math.Expm1(-r))
				}
				h.Counts[b] = uint32(k)
				left -= k
			}
			return h
		}
		eh, th = expected(g.ratesE), expected(g.ratesT)
		if l, err = e.Empty(eh); err != nil {
			t.Fatal(err)
		}
		x := []float64{tr.signal, tr.tau, tr.ambientTarget - tr.gain*tr.ambient, tr.gain}
		_, _, hess := e.TargetLikelihood(l, th, 0, x, 900)
		for i := range x {
			d := size[i] * 1e-5
			up, down := append([]float64{}, x...), append([]float64{}, x...)
			up[i] += d
			down[i] -= d
			_, gu, _ := e.TargetLikelihood(l, th, 0, up, 900)
			_, gd, _ := e.TargetLikelihood(l, th, 0, down, 900)
			for j := range i + 1 {
				got := (gu[j] - gd[j]) / (2 * d)
				scale := math.Sqrt(hess[i*4+i] * hess[j*4+j])
				if math.Abs(got-hess[i*4+j]) > 2e-3*scale {
					t.Errorf("%s: curvature %d,%d: %g, by differences %g (scale %g)", pile, i, j, hess[i*4+j], got, scale)
				}
			}
		}
	}
}

func compare(t *testing.T, what string, x, size, grad, hess []float64, cost func([]float64) float64) {
	t.Helper()
	n := len(x)
	for i := range x {
		d := size[i] * 1e-5
		up, down := append([]float64{}, x...), append([]float64{}, x...)
		up[i] += d
		down[i] -= d
		got := (cost(up) - cost(down)) / (2 * d)
		// One unit of the curvature's own scale is a step of one sigma.
		if tol := 1e-4*math.Abs(grad[i]) + 1e-3*math.Sqrt(hess[i*n+i]); math.Abs(got-grad[i]) > tol {
			t.Errorf("%s: gradient %d is %g, by differences %g", what, i, grad[i], got)
		}
	}
}

func TestPulseDerivatives(t *testing.T) {
	s := hopper(1, 1)
	s.Pulse = skewed(150, 300, 20)
	e, err := estimate.New(s)
	if err != nil {
		t.Fatal(err)
	}
	const d = 0.01
	for _, tau := range []float64{0, 33.3, 5000} {
		for _, width := range []float64{1, 0.93, 1.08} {
			_, dt, dw := e.PulseWidthDerivative(tau, width)
			pu, _, _ := e.PulseWidthDerivative(tau+d, width)
			pd, _, _ := e.PulseWidthDerivative(tau-d, width)
			wu, _, _ := e.PulseWidthDerivative(tau, width+1e-5)
			wd, _, _ := e.PulseWidthDerivative(tau, width-1e-5)
			sum := 0.0
			for b := range dt {
				sum += (pu[b] + pd[b]) / 2
				if got := (pu[b] - pd[b]) / (2 * d); math.Abs(got-dt[b]) > 1e-6 {
					t.Errorf("tau %g width %g bin %d: by delay %g, by differences %g", tau, width, b, dt[b], got)
				}
				if got := (wu[b] - wd[b]) / 2e-5; math.Abs(got-dw[b]) > 2e-3 {
					t.Errorf("tau %g width %g bin %d: by width %g, by differences %g", tau, width, b, dw[b], got)
				}
			}
			near(t, "area", sum, 1, 1e-9)
		}
	}
}

// The closed form must satisfy the stationarity of both cells, whatever the
// sign of the return's rate.
func TestProfileIsStationary(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	for i := range 20_000 {
		ne, nt := math.Exp(6+8*rng.Float64()), math.Exp(6+8*rng.Float64())
		g := 0.5 + rng.Float64()
		x, y := math.Floor(math.Exp(12*rng.Float64())-1), math.Floor(math.Exp(12*rng.Float64())-1)
		s := (math.Exp(-12*rng.Float64()) - 0.1) * y / nt
		if i%5 == 0 {
			x = 0
		}
		m, mu := estimate.Profile(x, y, ne, nt, s, g)
		if m < 0 || mu < 0 || math.IsNaN(m) || math.IsNaN(mu) {
			t.Fatalf("x=%g y=%g ne=%g nt=%g s=%g g=%g: m=%g mu=%g", x, y, ne, nt, s, g, m, mu)
		}
		near(t, "mu", mu, s+g*m, 1e-6)
		if m > 0 && mu > 0 {
			if r := x/m - ne + g*(y/mu-nt); math.Abs(r) > 1e-6*(ne+g*nt+x/m+y/mu) {
				t.Fatalf("x=%g y=%g ne=%g nt=%g s=%g g=%g: residual %g", x, y, ne, nt, s, g, r)
			}
		}
	}
}

// The yardstick itself: the bound with the empty bins eliminated one by one
// against the inverse of the whole Fisher matrix, 100 empty rates and all.
func TestBoundAgainstWholeMatrix(t *testing.T) {
	s := hopper(1, 1)
	g := newSource(s, rand.New(rand.NewPCG(1, 1)))
	tr := truth{leak: 0.01, leakTau: 20, ambient: 1e-4, ambientTarget: 1.5e-4, signal: 0.02, tau: 700, gain: 1}
	const ne, nt, ug = 2e6, 1e6, 0.02
	n := s.Bins
	f := mat.NewSymDense(n+4, nil)
	const d = 0.05
	for b := range n {
		p := g.share(b, tr.tau, 1)
		dp := (g.share(b, tr.tau+d, 1) - g.share(b, tr.tau-d, 1)) / (2 * d)
		leak := tr.leak * g.share(b, tr.leakTau, 1)
		m := leak + tr.ambient
		mu := tr.signal*p + tr.ambientTarget + leak
		col := map[int]float64{n: p, n + 1: tr.signal * dp, n + 2: 1, n + 3: leak, b: 1}
		for i, a := range col {
			for j, c := range col {
				if j >= i {
					f.SetSym(i, j, f.At(i, j)+nt/mu*a*c)
				}
			}
		}
		f.SetSym(b, b, f.At(b, b)+ne/m)
	}
	f.SetSym(n+3, n+3, f.At(n+3, n+3)+1/(ug*ug))
	scale := make([]float64, n+4)
	for i := range scale {
		scale[i] = 1 / math.Sqrt(f.At(i, i))
	}
	for i := range scale {
		for j := i; j < n+4; j++ {
			f.SetSym(i, j, f.At(i, j)*scale[i]*scale[j])
		}
	}
	var c mat.Cholesky
	if !c.Factorize(f) {
		t.Fatal("Fisher matrix is not positive definite")
	}
	var inv mat.SymDense
	if err := c.InverseTo(&inv); err != nil {
		t.Fatal(err)
	}
	want := halfC * math.Sqrt(inv.At(n+1, n+1)) * scale[n+1]
	got, _, _ := g.bounds(tr, s, ne, nt, ug)
	near(t, "bound", got, want, 1e-9)
}

// A pass over all zones, everything in it, allocates nothing.
func TestZonesAllocateNothing(t *testing.T) {
	for _, pile := range []estimate.PileUp{estimate.NoPileUp, estimate.FirstPhoton} {
		s := hopper(6, 9)
		s.PileUp = pile
		s.Budget = estimate.Terms{LeakageChangeU: 0.02, BinWidth: 0.02, MultipathShare: 0.005}
		e, err := estimate.New(s)
		if err != nil {
			t.Fatal(err)
		}
		loop := e.ZoneLoop(benchCaptures(s))
		if n := testing.AllocsPerRun(3, loop); n != 0 {
			t.Errorf("%s: %g allocations a pass", pile, n)
		}
	}
}
