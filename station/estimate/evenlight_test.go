package estimate_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.org/panecal/station/estimate"
)

// evenLight draws a capture of light that is even in time, into bins with the
// given edges.
func evenLight(s estimate.Setup, edges []float64, perBin float64, rng *rand.Rand) estimate.Histogram {
	g := newSource(s, rng)
	n := s.Grid.Zones()
	h := estimate.Histogram{Shots: 10_000_000, Counts: make([]uint32, n*s.Bins), TempCel: math.NaN()}
	for z := range n {
		a := perBin / float64(n) / float64(h.Shots) * (0.8 + 0.4*rng.Float64())
		g.rates(truth{ambient: a, ambientTarget: a, edges: edges})
		g.draw(g.ratesE, h.Shots, h.Counts[z*s.Bins:(z+1)*s.Bins])
	}
	return h
}

// The places of the bins come out of even light with the uncertainty that is
// told, sums of bins included, whatever the pile-up.
func TestBinWidthsFromEvenLight(t *testing.T) {
	const seed, tries = 5, 60
	for _, p := range []estimate.PileUp{estimate.NoPileUp, estimate.FirstPhoton} {
		s := with(hopper(2, 3), func(s *estimate.Setup) { s.PileUp = p })
		e := estimator(t, s)
		edges := walk(s, 0.02, rand.New(rand.NewPCG(9, 9)))
		var z moments
		inside := make([]moments, 3)
		var u50 float64
		for i := range tries {
			w, err := e.BinWidths(evenLight(s, edges, 5e5, rand.New(rand.NewPCG(seed, uint64(i)))))
			if err != nil {
				t.Fatal(err)
			}
			if len(w.Faults) > 0 {
				t.Fatalf("%s: faults %v", p, w.Faults)
			}
			sum := 0.0
			for b, v := range w.WidthPS {
				sum += v
				if d := v - (s.BinPS + w.EdgePS[b+1] - w.EdgePS[b]); math.Abs(d) > 1e-9 {
					t.Fatalf("width %d and its edges differ by %g", b, d)
				}
			}
			if math.Abs(sum-100*250) > 1e-6 || w.EdgeUPS[0] != 0 || w.EdgeUPS[100] != 0 {
				t.Errorf("%s: the axis is %.9f ps long, its ends have u %g and %g", p, sum, w.EdgeUPS[0], w.EdgeUPS[100])
			}
			for k := 1; k < 100; k++ {
				true := edges[k] - s.FirstBinPS - float64(k)*s.BinPS
				z.add((w.EdgePS[k] - true) / w.EdgeUPS[k])
			}
			for j, k := range []int{10, 50, 90} {
				true := edges[k] - s.FirstBinPS - float64(k)*s.BinPS
				inside[j].add((w.EdgePS[k] - true) / w.EdgeUPS[k])
			}
			u50 = w.EdgeUPS[50]
		}
		// Independent counts, the whole fixed: u of the middle edge is half the
		// axis's length over the root of all counts (a binomial share of a
		// half), 25 ns/(2·sqrt(100·5e5)) = 1.77 ps and a little more where
		// light was short of nominal.
		t.Logf("%s: standardised error of all edges %.3f, of edges 10, 50, 90 %.3f %.3f %.3f; u of the middle %.3f ps", p, z.rms(), inside[0].rms(), inside[1].rms(), inside[2].rms(), u50)
		want := 1.77
		if p == estimate.FirstPhoton { // 5/6 photon a shot: variances grow by (e^P − 1)/P
			want *= math.Sqrt(math.Expm1(5.0/6) / (5.0 / 6))
		}
		if math.Abs(u50/want-1) > 0.05 { // the light of the zones differs
			t.Errorf("%s: u of the middle edge %.3f ps, want %.3f", p, u50, want)
		}
		for _, m := range inside { // 60 draws: an sd of 0.09
			if math.Abs(m.rms()-1) > 0.36 {
				t.Errorf("%s: standardised error of an edge %.3f, want 1 within 4 sd", p, m.rms())
			}
		}
	}
}

// Differential and integral non-linearity are told without the counting
// noise, units apart from what they share.
func TestBinWidthsOfAProduct(t *testing.T) {
	s := hopper(2, 2)
	e := estimator(t, s)
	rng := rand.New(rand.NewPCG(3, 1))
	shared := walk(s, 0.02, rng)
	var units []estimate.Histogram
	for range 12 {
		own := walk(s, 0.005, rng)
		edges := make([]float64, len(shared))
		for k := range edges {
			edges[k] = shared[k] + own[k] - s.FirstBinPS - float64(k)*s.BinPS
		}
		units = append(units, evenLight(s, edges, 1e6, rng))
	}
	w, err := e.BinWidths(units...)
	if err != nil {
		t.Fatal(err)
	}
	var dnl, inl float64
	for k := 1; k < 100; k++ {
		d := shared[k] - s.FirstBinPS - float64(k)*s.BinPS
		inl += d * d / 99
		v := shared[k] - shared[k-1] - s.BinPS
		dnl += v * v / 99 / (250 * 250)
	}
	// A bridge of 100 steps of 1.25 ps has an rms of 1.25·sqrt(100/6) = 5.1 ps.
	t.Logf("differential %.4f (true %.4f), integral %.2f ps (true %.2f), units differ by %.2f ps (expected about 5.1), zones by %.5f", w.Differential, math.Sqrt(dnl), w.IntegralPS, math.Sqrt(inl), w.UnitEdgePS, w.ZoneRel)
	if math.Abs(w.Differential-math.Sqrt(dnl)) > 0.001 || math.Abs(w.IntegralPS-math.Sqrt(inl)) > 2.5 {
		t.Errorf("differential %.4f, integral %.2f ps; true %.4f, %.2f", w.Differential, w.IntegralPS, math.Sqrt(dnl), math.Sqrt(inl))
	}
	if w.UnitEdgePS < 2.5 || w.UnitEdgePS > 8 {
		t.Errorf("units differ by %.2f ps, want about 5.1", w.UnitEdgePS)
	}
	if w.ZoneRel > 0.001 {
		t.Errorf("zones that share their bins differ by %.5f", w.ZoneRel)
	}
	one, err := e.BinWidths(units[0])
	if err != nil || !math.IsNaN(one.UnitEdgePS) {
		t.Errorf("one unit: differ by %g, %v", one.UnitEdgePS, err)
	}
}

// Too few counts, unsteady light and captures of another shape are told.
func TestBinWidthsRefuses(t *testing.T) {
	s := hopper(2, 2)
	e := estimator(t, s)
	edges := walk(s, 0.02, rand.New(rand.NewPCG(3, 3)))
	few := evenLight(s, edges, 1e5, rand.New(rand.NewPCG(3, 4)))
	short := few
	short.Counts = short.Counts[:100]
	for want, hs := range map[string][]estimate.Histogram{
		"no capture":     nil,
		"want 200000":    {few},
		"100 counts for": {short},
	} {
		if _, err := e.BinWidths(hs...); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
	lit := evenLight(s, edges, 1e6, rand.New(rand.NewPCG(3, 5)))
	for f := range 10 { // light that grows by 20 % over ten frames
		row := make([]uint32, 4)
		for z := range row {
			sum := 0.0
			for _, c := range lit.Counts[z*100 : (z+1)*100] {
				sum += float64(c)
			}
			row[z] = uint32(sum / 10 * (0.9 + 0.2*float64(f)/9))
		}
		lit.FrameTotals = append(lit.FrameTotals, row)
	}
	for z := range 4 {
		var sum, total uint32
		for _, c := range lit.Counts[z*100 : (z+1)*100] {
			sum += c
		}
		for _, f := range lit.FrameTotals {
			total += f[z]
		}
		lit.FrameTotals[5][z] += sum - total
	}
	w, err := e.BinWidths(lit)
	if err != nil || len(w.Faults) == 0 || w.Faults[0].Code != estimate.FaultFrames {
		t.Errorf("unsteady light: faults %v, %v", w.Faults, err)
	}
}
