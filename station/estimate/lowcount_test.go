package estimate_test

import (
	"math"
	"slices"
	"testing"

	"example.org/panecal/station/estimate"
)

// A single photon is no return, wherever it comes: in the dark, beside the
// leakage's pulse, or in its far tail. Ten in one bin of one zone are one.
func TestSinglePhotonIsNoReturn(t *testing.T) {
	for _, pile := range []estimate.PileUp{estimate.NoPileUp, estimate.FirstPhoton} {
		for _, leak := range []float64{0, 3, 40, 1000} {
			s := hopper(6, 9)
			s.PileUp = pile
			e := estimator(t, s)
			h := estimate.Histogram{Shots: 4_000_000, Counts: make([]uint32, 5400), TempCel: math.NaN()}
			for z := range 54 {
				// The pulse at 500 ps, as its mean counts are.
				for b := range 100 {
					x := (-1500 + 250*(float64(b)+0.5) - 500) / 350 * 2.3548
					h.Counts[z*100+b] = uint32(math.Round(leak * 0.67 * math.Exp(-x*x/2)))
				}
				h.Counts[z*100+z+20]++
			}
			stray := func(what string, want bool) {
				t.Helper()
				l, err := e.Empty(h)
				if err != nil {
					t.Fatal(err)
				}
				if got := slices.Contains(codes(l.Faults), "empty "+string(estimate.FaultStray)); got != want {
					t.Errorf("%v, leakage %g, %s: accused %v (%v)", pile, leak, what, got, l.Faults)
				}
			}
			stray("a photon a zone", false)
			for _, at := range []int{4, 5, 11, 12, 13, 30, 99} { // beside the pulse and far away
				h.Counts[17*100+at]++
				stray("one more photon", false)
				h.Counts[17*100+at]--
			}
			h.Counts[17*100+60] += 10
			stray("ten photons", true)
		}
	}
}

// No count at all does not show that there is no ambient: behind a pulse whose
// table ends in a far thin tail a photon or two are no return.
func TestNoCountsProveNothing(t *testing.T) {
	s := with(hopper(6, 9), func(s *estimate.Setup) { s.Pulse = gaussian(350, 25, 8) })
	for _, leak := range []float64{3, 1e6} {
		const captures, seed = 30, 702
		if n := (quiet{leak: leak, perBin: 0.001, setup: s}).accused(t, captures, seed); n > 0 {
			t.Errorf("leakage %g, seed %d: %d of %d good captures are accused", leak, seed, n, captures)
		}
	}
}

// No table of a pulse is good to the end of its tails: five photons there, where
// its shares are next to nothing, are no return. Where no pulse reaches they are
// one.
func TestTailIsNotTrusted(t *testing.T) {
	for _, pile := range []estimate.PileUp{estimate.NoPileUp, estimate.FirstPhoton} {
		s := with(hopper(6, 9), func(s *estimate.Setup) { s.Pulse, s.PileUp = gaussian(350, 25, 8), pile })
		e := estimator(t, s)
		h := estimate.Histogram{Shots: 4_000_000, Counts: make([]uint32, 5400), TempCel: math.NaN()}
		for z := range 54 {
			for b := range 100 { // a thousand photons at 500 ps
				x := (-1500 + 250*(float64(b)+0.5) - 500) / 350
				h.Counts[z*100+b] = uint32(math.Round(1000 * 250 / 350 / math.Sqrt(2*math.Pi) * math.Exp(-x*x/2)))
			}
			h.Counts[z*100+z+20]++
		}
		for _, c := range []struct {
			bin   int
			stray bool
		}{{16, false}, {17, false}, {18, false}, {40, true}, {90, true}} {
			h.Counts[17*100+c.bin] += 5
			l, err := e.Empty(h)
			h.Counts[17*100+c.bin] -= 5
			if err != nil {
				t.Fatal(err)
			}
			if got := slices.Contains(codes(l.Faults), "empty "+string(estimate.FaultStray)); got != c.stray {
				t.Errorf("%v, five photons in bin %d: accused %v, significance %.2f", pile, c.bin, got, l.Quantities["stray.significance"].V)
			}
		}
	}
}

// Few counts do not show that bins are as wide as one another: there the whole
// of what the product allows is allowed. Where there are counts enough, only as
// much as the bins are seen to differ.
func TestFewCountsShowNoBins(t *testing.T) {
	const captures, seed = 10, 703
	for _, c := range []struct {
		perBin   float64
		captures int // that are accused
	}{{10, 0}, {40, captures}} {
		// Eight sigmas, were counting noise all.
		s := with(hopper(6, 9), func(s *estimate.Setup) { s.Checks.BinWidth = 0.5 })
		if n := (quiet{perBin: c.perBin, stray: 18 * math.Sqrt(c.perBin), setup: s}).accused(t, captures, seed); n != c.captures {
			t.Errorf("ambient %g a bin, seed %d: %d of %d captures with a return are accused, want %d", c.perBin, seed, n, captures, c.captures)
		}
	}
}
