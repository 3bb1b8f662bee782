package estimate_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/estimate"
)

// A unit that is warmer ranges farther by its coefficient. Offsets are referred
// to one temperature, so that a verify capture at any other finds no error; one
// that does not tell its temperature is taken as it is.
func TestVerifyAtAnotherTemperature(t *testing.T) {
	const coefficient, ref, adjusted = 0.4, 23.0, 31.0 // mm/K, °C
	c := scene{leak: 0.3, photons: 1e6, shotsT: 4_000_000, distance: 300, perBin: 2, setup: hopper(2, 3)}.withDefaults()
	c.setup.Offsets, c.setup.Tilt = estimate.OffsetsZones, estimate.TiltUnit
	c.setup.Budget.TempCoeff, c.setup.Budget.TempRefCel = coefficient, ref
	e := estimator(t, c.setup)
	g := newSource(c.setup, rand.New(rand.NewPCG(7, 7)))
	nt := float64(c.shotsT)
	capture := func(cel float64, target bool) estimate.Histogram {
		h := estimate.Histogram{Shots: c.shotsT, Counts: make([]uint32, 600), TempCel: cel}
		for z := range 6 {
			late := 5 + coefficient*(cel-ref) // mm
			tr := truth{leak: 0.3 * 1e6 / nt, leakTau: (3 + late) / halfC, ambient: 2 / nt, ambientTarget: 2 / nt}
			if target {
				tr.signal, tr.tau = 1e6/nt, (300*sec(c.setup, z)+late)/halfC
			}
			g.rates(tr)
			if target {
				g.draw(g.ratesT, c.shotsT, h.Counts[z*100:(z+1)*100])
			} else {
				g.draw(g.ratesE, c.shotsT, h.Counts[z*100:(z+1)*100])
			}
		}
		return h
	}
	l, err := e.Empty(capture(adjusted, false))
	if err != nil {
		t.Fatal(err)
	}
	reference := estimate.Reference{DistanceMM: 300, DistanceUMM: 0.1}
	o, err := e.Target(l, capture(adjusted, true), reference, nil)
	if err != nil {
		t.Fatal(err)
	}
	if m := o.Quantities[quantity.OffsetMean]; math.Abs(m.V-5) > 0.5 {
		t.Errorf("offset %v at the temperature that it is referred to, want 5", m.Value)
	}
	for _, cel := range []float64{adjusted, ref, 11} {
		h := capture(cel, true)
		v, err := e.Verify(e.Constants(l, o), &h, nil, reference, o)
		if err != nil {
			t.Fatal(err)
		}
		if q := v.Quantities[quantity.VerifyError]; len(q.Zones) != 6 || math.Abs(q.V) > 0.6 {
			t.Errorf("at %g °C: error %v", cel, q.Value)
		}
		h.TempCel = math.NaN()
		if v, err = e.Verify(e.Constants(l, o), &h, nil, reference, o); err != nil {
			t.Fatal(err)
		}
		if q := v.Quantities[quantity.VerifyError]; math.Abs(q.V-coefficient*(cel-ref)) > 0.6 {
			t.Errorf("at %g °C, not told: error %v, want %g", cel, q.Value, coefficient*(cel-ref))
		}
	}
}

// What Verify cannot be told with is refused.
func TestVerifyRefuses(t *testing.T) {
	c := scene{leak: 0.3, setup: hopper(2, 3)}.withDefaults()
	e := estimator(t, c.setup)
	u := c.make(rand.New(rand.NewPCG(8, 8)))
	l, o := measure(t, e, u)
	good := e.Constants(l, o)
	fewer, noLeakage := good, good
	fewer.OffsetMM, noLeakage.LeakageBins = good.OffsetMM[:5], nil
	for name, f := range map[string]func() (*estimate.Verification, error){
		"no capture":          func() (*estimate.Verification, error) { return e.Verify(good, nil, nil, u.ref, o) },
		"no distance":         func() (*estimate.Verification, error) { return e.Verify(good, &u.target, nil, estimate.Reference{}, o) },
		"offsets of 5 zones":  func() (*estimate.Verification, error) { return e.Verify(fewer, &u.target, nil, u.ref, o) },
		"leakage of no zones": func() (*estimate.Verification, error) { return e.Verify(noLeakage, &u.target, nil, u.ref, o) },
		"a summary of no zones": func() (*estimate.Verification, error) {
			return e.Verify(good, nil, &estimate.Summary{Shots: 1000, TempCel: 20}, u.ref, o)
		},
	} {
		if v, err := f(); err == nil {
			t.Errorf("%s: %+v", name, v)
		}
	}
}
