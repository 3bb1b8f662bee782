package estimate_test

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"example.org/panecal/station/estimate"
)

// A pair of histograms drawn with a measured response, fitted by scipy with
// every bin's leakage free (testdata/optics/fit_pair.py, which shares no code
// with this project): the same range, signal and leakage distance, with the
// same uncertainties.
func TestAgainstGeneralLibrary(t *testing.T) {
	var f struct {
		Fitted  map[string]string `json:"library"`
		Bins    int
		BinPS   float64 `json:"bin_ps"`
		FirstPS float64 `json:"first_bin_ps"`
		Pulse   struct {
			Step     float64 `json:"channel_ps"`
			Peak     int
			First    int
			Last     int
			EmptyEnd int `json:"background_to"`
		}
		Empty, Target struct {
			Shots  int64
			Counts []uint32
		}
		Fit struct {
			Range     float64 `json:"range_mm"`
			RangeU    float64 `json:"range_u_mm"`
			Signal    float64
			SignalU   float64 `json:"signal_u"`
			Distance  float64 `json:"leakage_distance_mm"`
			DistanceU float64 `json:"leakage_distance_u_mm"`
		}
	}
	raw, err := os.ReadFile("../../testdata/optics/fit_pair.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(raw, &f); err != nil {
		t.Fatal(err)
	}
	irf := table(t, "optics/real_irf_lifefit.csv")
	back := 0.0
	for c := range f.Pulse.EmptyEnd {
		back += num(t, irf[c]["counts"]) / float64(f.Pulse.EmptyEnd)
	}
	p := estimate.Pulse{StartPS: float64(f.Pulse.First-f.Pulse.Peak) * f.Pulse.Step, StepPS: f.Pulse.Step}
	for c := f.Pulse.First; c <= f.Pulse.Last; c++ {
		p.Density = append(p.Density, max(0, num(t, irf[c-1]["counts"])-back))
	}
	e := estimator(t, estimate.Setup{
		Grid: estimate.Grid{Rows: 1, Cols: 1, Ux: []float64{0}, Uy: []float64{0}}, Bins: f.Bins, BinPS: f.BinPS, FirstBinPS: f.FirstPS,
		LeakageWindowPS: [2]float64{-1000, 1500}, Pulse: p,
	})
	l, err := e.Empty(estimate.Histogram{Shots: f.Empty.Shots, Counts: f.Empty.Counts, TempCel: math.NaN()})
	if err != nil {
		t.Fatal(err)
	}
	o, err := e.Target(l, estimate.Histogram{Shots: f.Target.Shots, Counts: f.Target.Counts, TempCel: math.NaN()}, estimate.Reference{DistanceMM: 95}, nil)
	if err != nil {
		t.Fatal(err)
	}
	z, q := l.Zones[0], o.Zones[0]
	for _, c := range []struct {
		what              string
		got, u, want, std float64
	}{
		{"range", q.RangeMM, q.RangeUMM, f.Fit.Range, f.Fit.RangeU},
		{"signal", q.Signal, q.SignalU, f.Fit.Signal, f.Fit.SignalU},
		{"leakage distance", z.DistanceMM, z.DistanceUMM, f.Fit.Distance, f.Fit.DistanceU},
	} {
		t.Logf("%-16s %.7g ± %.4g, scipy %s %.7g ± %.4g", c.what, c.got, c.u, f.Fitted["scipy"], c.want, c.std)
		// Fits stop when a step gains less than 1e-5 of log likelihood, which is
		// 0.005 sigma. The curvature is that of the last step but one.
		if math.Abs(c.got-c.want) > 0.01*c.std {
			t.Errorf("%s %.7g, scipy %.7g ± %.2g", c.what, c.got, c.want, c.std)
		}
		if math.Abs(c.u/c.std-1) > 0.01 {
			t.Errorf("u of %s %.5g, scipy %.5g", c.what, c.u, c.std)
		}
	}
}
