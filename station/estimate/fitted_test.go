package estimate_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.org/panecal/station/estimate"
)

// What is drawn as fitted is what the unit truly sends, and what is left over is
// noise: 20 units, 100 bins each, chi-square a bin within 4 of its standard
// deviations √(2/2,000) = 0.032 of 1, and a little more in the target capture,
// whose leakage is the other capture's counts with their own noise.
func TestFitted(t *testing.T) {
	for _, kind := range []estimate.PileUp{estimate.NoPileUp, estimate.FirstPhoton} {
		setup := hopper(1, 1)
		setup.PileUp = kind
		e, err := estimate.New(setup)
		if err != nil {
			t.Fatal(err)
		}
		var chi [2]float64
		const units = 20
		for seed := range uint64(units) {
			g := newSource(setup, rand.New(rand.NewPCG(7, seed)))
			is := truth{leak: 0.01, leakTau: 40, ambient: 1e-4, signal: 0.05, tau: 302.5 / halfC, ambientTarget: 2e-4}
			g.rates(is)
			empty := estimate.Histogram{Shots: 4_000_000, Counts: make([]uint32, 100), TempCel: math.NaN()}
			target := estimate.Histogram{Shots: 1_000_000, Counts: make([]uint32, 100), TempCel: math.NaN()}
			g.draw(g.ratesE, empty.Shots, empty.Counts)
			g.draw(g.ratesT, target.Shots, target.Counts)
			l, err := e.Empty(empty)
			if err != nil {
				t.Fatal(err)
			}
			o, err := e.Target(l, target, estimate.Reference{DistanceMM: 300, DistanceUMM: 0.15}, nil)
			if err != nil {
				t.Fatal(err)
			}
			for i, f := range []estimate.Fit{e.Fitted(empty, l, nil, 0), e.Fitted(target, l, o, 0)} {
				leak, signal, ambient := 0.0, 0.0, 0.0
				for b, v := range f.Counted {
					mean := f.Leakage[b] + f.Ambient[b]
					leak, ambient = leak+f.Leakage[b], ambient+f.Ambient[b]/100
					if i == 1 {
						mean, signal = mean+f.Signal[b], signal+f.Signal[b]
					}
					chi[i] += (v - mean) * (v - mean) / (f.SD[b] * f.SD[b]) / (100 * units)
				}
				// 1e4 and 5e4 photons: 1 % and 0.5 %, five times over.
				if math.Abs(leak/is.leak-1) > 0.05 || i == 1 && math.Abs(signal/is.signal-1) > 0.025 {
					t.Errorf("%s capture %d: leakage %g, signal %g", kind, i, leak, signal)
				}
				if want := is.ambient * float64(i+1); math.Abs(ambient/want-1) > 0.1 {
					t.Errorf("%s capture %d: ambient %g, want %g", kind, i, ambient, want)
				}
			}
		}
		if math.Abs(chi[0]-1) > 0.13 || chi[1] < 0.87 || chi[1] > 1.3 {
			t.Errorf("%s: chi-square a bin %.3f and %.3f", kind, chi[0], chi[1])
		}
	}
}
