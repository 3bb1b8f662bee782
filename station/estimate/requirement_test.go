package estimate_test

import (
	"errors"
	"math"
	"testing"

	"example.org/panecal/station/estimate"
)

// straight is a product of one zone that looks straight ahead.
func straight(ranging string, working ...float64) estimate.Setup {
	s := hopper(1, 1)
	s.Grid.Ux[0], s.Grid.Uy[0] = 0, 0
	s.Ranging, s.WorkingMM, s.DatumMM = ranging, working, 0
	// Only what the requirement says counts.
	s.Checks.PulseWidth = -1
	return s
}

// bright is a requirement without noise: what counts is the bias.
func bright(allowance float64) estimate.Requirement {
	return estimate.Requirement{AllowanceMM: allowance, K: 2, Shots: 1 << 50, CalibrationShots: 1 << 50, Reflectance: []float64{0.5}, Ambient: []float64{0},
		Change: 1, Signal: 0.02, SignalAtMM: 300, SignalReflectance: 0.5}
}

// The bias of a signal-weighted mean, published by formula and vectors (testdata/optics/06_mixed_range.csv):
// the leakage that a row has is the limit for an allowance of its bias.
func TestLeakageLimitOfAMean(t *testing.T) {
	for _, r := range table(t, "optics/06_mixed_range.csv") {
		signal, leak, far := num(t, r["signal_counts"]), num(t, r["leak_counts"]), num(t, r["true_mm"])
		s := straight(estimate.RangingMean, far)
		s.Bins, s.LeakageWindowPS = 400, [2]float64{s.FirstBinPS, s.FirstBinPS + 400*s.BinPS} // the whole pulse is counted
		e, err := estimate.New(s)
		if err != nil {
			t.Fatal(err)
		}
		q := bright(-num(t, r["bias_mm"]))
		q.LeakageMM, q.SignalAtMM, q.Signal = num(t, r["leak_apparent_mm"]), far, signal*1e-4
		l, err := e.LeakageLimit(q)
		if err != nil || l.Outcome != estimate.LimitFound || l.Estimator != estimate.RangingMean {
			t.Fatalf("%s: %+v, %v", r["case"], l, err)
		}
		// Means are of bins, whose middles stand for what they hold; the bisection ends at 1e-5.
		near(t, r["case"]+" "+r["true_mm"], l.Limit, leak*1e-4, 5e-4)
	}
}

// "no limit" and "not met" are answers, and an allowance that grows gives a
// limit that grows.
func TestLeakageLimitOutcomes(t *testing.T) {
	mean, err := estimate.New(straight(estimate.RangingMean, 300, 1000))
	if err != nil {
		t.Fatal(err)
	}
	q := bright(5)
	q.Change = 0
	if l, err := mean.LeakageLimit(q); err != nil || l.Outcome != estimate.LimitNone || !math.IsNaN(l.Limit) || !(l.SearchedTo > 5) {
		t.Errorf("nothing changes: %+v, %v", l, err)
	}
	q.Added = 0.001 // dirt that comes whatever there was
	if l, err := mean.LeakageLimit(q); err != nil || l.Outcome != estimate.LimitNotMet || l.Worst.DistanceMM != 1000 || math.Abs(l.Worst.BiasMM) < 5 {
		t.Errorf("light is added: %+v, %v", l, err)
	}
	last := 0.0
	for _, allowance := range []float64{1, 5, 20, 80} {
		q := bright(allowance)
		q.ChangeU, q.LeakageUMM = 0.1, 2
		l, err := mean.LeakageLimit(q)
		if err != nil || !(l.Limit > last) || !(l.U > 0.05*l.Limit) || l.Budget[0].Name != "leakage change" {
			t.Errorf("%v mm: %+v, %v", allowance, l, err)
		}
		last = l.Limit
	}
	// A unit that resolves the two is told another limit than one that does not (common practice, no source).
	pulse, err := estimate.New(straight(estimate.RangingPulse, 300, 1000))
	if err != nil {
		t.Fatal(err)
	}
	a, err := mean.LeakageLimit(bright(5))
	b, errB := pulse.LeakageLimit(bright(5))
	if err != nil || errB != nil || !(b.Limit > 10*a.Limit) {
		t.Errorf("mean %+v, pulse %+v, %v, %v", a, b, err, errB)
	}
	for _, bad := range []func(*estimate.Requirement){
		func(q *estimate.Requirement) { q.AllowanceMM = 0 }, func(q *estimate.Requirement) { q.K = math.NaN() }, func(q *estimate.Requirement) { q.Shots = 0 },
		func(q *estimate.Requirement) { q.Change = -2 }, func(q *estimate.Requirement) { q.Signal = 0 }, func(q *estimate.Requirement) { q.Reflectance = nil },
		func(q *estimate.Requirement) { q.Reflectance = []float64{2} }, func(q *estimate.Requirement) { q.Ambient = []float64{-1} }, func(q *estimate.Requirement) { q.AmbientBins = 1000 },
	} {
		q := bright(5)
		bad(&q)
		if _, err := mean.LeakageLimit(q); !errors.Is(err, estimate.ErrRequirement) {
			t.Errorf("%+v: %v", q, err)
		}
	}
}
