package estimate_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/estimate"
)

// The standard uncertainty of each quantity has two parts: offsets of many
// units, measured at one nest whose target stands wrong, scatter by the first
// and are shifted together by the second.
func TestUncertaintyInTwoParts(t *testing.T) {
	const units = 60
	c := scene{name: "nest", leak: 1, photons: 1000, uD: 0.4, tempCel: 31, setup: with(hopper(2, 3), func(s *estimate.Setup) {
		s.Budget.DirectionU, s.Budget.MultipathShare, s.Budget.UnseenShare = 0.002, 0.005, 0.01
		s.Budget.TempCoeff, s.Budget.TempCoeffU, s.Budget.TempU, s.Budget.TempRefCel = 0.1, 0.02, 0.3, 25
		s.Checks.PulseWidth, s.Grid.SecU = -1, []float64{1e-3, 1e-3, 1e-3, 1e-3, 1e-3, 1e-3}
	})}.withDefaults()
	e := estimator(t, c.setup)
	var scatter moments
	var v quantity.Value
	for i := range units {
		u := c.make(rand.New(rand.NewPCG(21, uint64(i))))
		_, o := measure(t, e, u)
		v = o.Quantities[quantity.OffsetMean].Value
		mean := 0.0
		for _, off := range u.offset {
			mean += off / float64(len(u.offset))
		}
		scatter.add(v.V - mean)
		if math.Abs(v.Own()*v.Own()+v.Common*v.Common-v.U*v.U) > 1e-12 {
			t.Fatalf("own %g and common %g do not make %g", v.Own(), v.Common, v.U)
		}
		// What the lines say is alike for all units of the nest and product.
		lines := map[string]bool{estimate.LineDistance: true, estimate.LineDirection: true, estimate.LineZoneMean: true, estimate.LineMultipath: true, estimate.LineUnseen: true}
		sum := (0.02 * 6) * (0.02 * 6) // the temperature's coefficient, 6 K from the reference
		for _, l := range o.Budget {
			if lines[l.Line] {
				if sum += l.MM * l.MM; l.MM == 0 {
					t.Errorf("line %q is zero", l.Line)
				}
			}
		}
		if math.Abs(v.Common-math.Sqrt(sum)) > 1e-12 {
			t.Fatalf("common part %g, the lines make %g", v.Common, math.Sqrt(sum))
		}
	}
	// These units differ by counts and the thermometer's line alone; the
	// thermometer was exact here. 60 draws tell an sd to 9 %.
	own := math.Sqrt(v.Own()*v.Own() - (0.1*0.3)*(0.1*0.3))
	t.Logf("scatter %.3f mm, own part %.3f, common %.3f, u %.3f", scatter.rms(), own, v.Common, v.U)
	if r := scatter.rms() / own; r < 0.64 || r > 1.36 {
		t.Errorf("scatter %.3f mm, own part of u %.3f", scatter.rms(), own)
	}
}
