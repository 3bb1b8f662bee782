package study_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.org/panecal/limits/study"
)

// The median distance from the median of 1, 1, 2, 2, 4, 6, 9 is 1, a worked
// example of many textbooks (from memory). Bounds are those of the functions
// that the published cases of this package hold.
func TestScreen(t *testing.T) {
	o := study.ScreeningOptions{Coverage: 0.9, Confidence: 0.95, Multiplier: 4, Sides: 1}
	s := study.NewSample([]float64{1, 1, 2, 2, 4, 6, 9})
	up, err := study.Screen(s, true, o)
	if err != nil || up.Median != 2 || math.Abs(float64(up.RobustSD)-1.4826) > 1e-4 || math.Abs(float64(up.Robust)-(2+4*1.482602218505602)) > 1e-12 {
		t.Errorf("%+v, %v", up, err)
	}
	// NIST handbook 7.2.6.3: 0.95^n or less: 29 values for 90 % with 95 % on one side, 46 on two.
	if up.Free.Defined() || up.FreeWants != 29 {
		t.Errorf("free of 7 values: %v, wants %d", up.Free, up.FreeWants)
	}
	down, err := study.Screen(s, false, o)
	if err != nil || math.Abs(float64(down.Robust+up.Robust)-4) > 1e-12 || down.Normal >= down.Percentile {
		t.Errorf("%+v, %v", down, err)
	}
	r := rand.New(rand.NewPCG(5, 6))
	x := make([]float64, 500)
	for i := range x {
		x[i] = 10 + 2*r.NormFloat64()
	}
	s = study.NewSample(x)
	o.Sides = 2
	for upper, pick := range map[bool]func(study.Tolerance) study.Number{true: func(t study.Tolerance) study.Number { return t.Upper }, false: func(t study.Tolerance) study.Number { return t.Lower }} {
		b, err := study.Screen(s, upper, o)
		if err != nil {
			t.Fatal(err)
		}
		for method, got := range map[string]study.Number{"exact": b.Normal, "free": b.Free} {
			want, err := study.SampleTolerance(s, study.ToleranceOptions{Coverage: 0.9, Confidence: 0.95, Sides: 2, Method: method})
			if err != nil || got != pick(want) {
				t.Errorf("upper %v, %s: %v, want %+v, %v", upper, method, got, want, err)
			}
		}
		share := 0.95
		if !upper {
			share = 0.05
		}
		if p, err := study.NewPercentile(s, share, 8); err != nil || math.Abs(float64(b.Percentile-p.Value)) > 1e-12 {
			t.Errorf("percentile %v, want %v, %v", b.Percentile, p.Value, err)
		}
	}
	o.Coverage = 1
	if _, err := study.Screen(s, true, o); err == nil {
		t.Error("a coverage of 1 was taken")
	}
}
