package estimate_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"example.org/panecal/station/estimate"
)

// Counters that stop are found without being told where, at a number that a
// counter holds or not; counts that were worked out rather than counted, alike
// in all zones, and counts that chance makes alike are not taken for it.
func TestCeiling(t *testing.T) {
	for _, c := range []struct {
		name  string
		setup estimate.Setup
		clip  uint32
		exact bool // expected counts, rounded
		peak  float64
		want  bool
	}{
		{name: "clipped at 65535", clip: 65535, peak: 150_000, want: true},
		{name: "clipped at 65535 in one zone", setup: hopper(1, 1), clip: 65535, peak: 150_000, want: true},
		{name: "clipped at 50000", clip: 50_000, peak: 150_000, want: true},
		{name: "clipped at 1023", clip: 1023, peak: 3000, want: true},
		{name: "all at 65535", clip: 65535, peak: 1e9, want: true},
		{name: "not clipped", peak: 150_000},
		{name: "few counts", peak: 6},
		{name: "worked out", exact: true, peak: 65000},
		{name: "worked out, dark", exact: true, peak: 0},
	} {
		if c.setup.Bins == 0 {
			c.setup = hopper(6, 9)
		}
		g := newSource(c.setup, rand.New(rand.NewPCG(1, 9)))
		e := estimator(t, c.setup)
		n, nb := c.setup.Grid.Zones(), c.setup.Bins
		h := estimate.Histogram{Shots: 1_000_000, Counts: make([]uint32, n*nb), TempCel: math.NaN()}
		for z := range n {
			g.rates(truth{leak: c.peak / 0.28 / 1e6, leakTau: 30, ambient: 1e-3})
			row := h.Counts[z*nb : (z+1)*nb]
			if c.exact {
				for b, r := range g.ratesE {
					row[b] = uint32(math.Round(1e6 * r))
				}
			} else {
				g.draw(g.ratesE, h.Shots, row)
			}
			for b := range row {
				if c.clip > 0 {
					row[b] = min(row[b], c.clip)
				}
			}
		}
		l, err := e.Empty(h)
		if err != nil {
			t.Fatal(err)
		}
		got := slices.ContainsFunc(l.Faults, func(f estimate.Fault) bool { return f.Code == estimate.FaultSaturated })
		if got != c.want {
			t.Errorf("%s: saturated %v, want %v", c.name, got, c.want)
		}
	}
}
