package estimate_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"example.org/panecal/station/estimate"
)

// benchCaptures is one unit of the demonstration product, 54 zones of 100
// bins, leakage and target 9 bins apart.
func benchCaptures(s estimate.Setup) (empty, target estimate.Histogram) {
	g := newSource(s, rand.New(rand.NewPCG(1, 2)))
	n := s.Grid.Zones()
	empty = estimate.Histogram{Shots: 4_000_000, Counts: make([]uint32, n*s.Bins), TempCel: math.NaN()}
	target = estimate.Histogram{Shots: 1_000_000, Counts: make([]uint32, n*s.Bins), TempCel: math.NaN()}
	for z := range n {
		g.rates(truth{leak: 0.01, leakTau: 30, ambient: 1e-4, ambientTarget: 1.2e-4, signal: 0.01, tau: (300*sec(s, z) + 1.5) / halfC, gain: 1.01})
		g.draw(g.ratesE, empty.Shots, empty.Counts[z*s.Bins:(z+1)*s.Bins])
		g.draw(g.ratesT, target.Shots, target.Counts[z*s.Bins:(z+1)*s.Bins])
	}
	return empty, target
}

// BenchmarkZone54x100 times a whole unit, everything in it, and reports the
// time for one zone. The allocations are those of the unit's result, not of
// its zones: see TestZonesAllocateNothing.
func BenchmarkZone54x100(b *testing.B) {
	for _, p := range []estimate.PileUp{estimate.NoPileUp, estimate.FirstPhoton} {
		s := hopper(6, 9)
		s.PileUp = p
		s.Budget.LeakageChangeU = 0.02
		e, err := estimate.New(s)
		if err != nil {
			b.Fatal(err)
		}
		eh, th := benchCaptures(s)
		ref := estimate.Reference{DistanceMM: 300, DistanceUMM: 0.15}
		l, err := e.Empty(eh)
		if err != nil {
			b.Fatal(err)
		}
		for _, part := range []string{"empty", "target", "both"} {
			b.Run(fmt.Sprintf("%s/%s", p, part), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if part != "target" {
						if _, err := e.Empty(eh); err != nil {
							b.Fatal(err)
						}
					}
					if part != "empty" {
						if _, err := e.Target(l, th, ref, nil); err != nil {
							b.Fatal(err)
						}
					}
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(s.Grid.Zones()), "ns/zone")
			})
		}
	}
}

// BenchmarkProjection54x100 times the projection to three working distances,
// by running the unit's method on 54 zones.
func BenchmarkProjection54x100(b *testing.B) {
	s := hopper(6, 9)
	e, err := estimate.New(s)
	if err != nil {
		b.Fatal(err)
	}
	eh, th := benchCaptures(s)
	l, err := e.Empty(eh)
	if err != nil {
		b.Fatal(err)
	}
	o, err := e.Target(l, th, estimate.Reference{DistanceMM: 300, DistanceUMM: 0.15}, nil)
	if err != nil {
		b.Fatal(err)
	}
	c := e.Constants(l, o)
	b.ReportAllocs()
	for b.Loop() {
		e.Project(c, l, o, 0.5, []float64{300, 600, 1200})
	}
}
