package estimate_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/estimate"
)

// Of several zones, and of several working distances, the one that is worst
// stands for the unit: offset.uncertainty is the largest of what is stored, and
// range.error_projected the largest mean error, with its sign.
func TestWorstStandsForTheUnit(t *testing.T) {
	for _, offsets := range []string{estimate.OffsetsOne, estimate.OffsetsZones} {
		for _, change := range []float64{0.5, -0.5} {
			for _, working := range [][]float64{{200, 2000}, {2000, 200}} {
				c := scene{leak: 0.3, photons: 2e4, uD: 0.2, setup: hopper(2, 3)}.withDefaults()
				c.setup.Offsets, c.setup.Ranging, c.setup.Corrects = offsets, estimate.RangingMean, estimate.CorrectsUnit
				c.setup.WorkingMM, c.setup.LeakageChangeStated = working, change
				e := estimator(t, c.setup)
				l, o := measure(t, e, c.make(rand.New(rand.NewPCG(3, 9))))
				mean, worst := o.Quantities[quantity.OffsetMean].U, 0.0
				for _, z := range o.Zones {
					worst = max(worst, z.OffsetUMM)
				}
				if worst <= mean {
					t.Fatalf("u %g of the mean, %g of the worst zone: the case shows nothing", mean, worst)
				}
				want := mean
				if offsets == estimate.OffsetsZones {
					want = worst
				}
				if got := o.Quantities[quantity.OffsetUncertainty].V; got != want {
					t.Errorf("%s: offset.uncertainty %g, want %g", offsets, got, want)
				}
				largest := 0.0
				for _, row := range e.Project(e.Constants(l, o), l, o, change, working) {
					sum := 0.0
					for _, v := range row {
						sum += v / float64(len(row))
					}
					if math.Abs(sum) > math.Abs(largest) {
						largest = sum
					}
				}
				got := o.Quantities[quantity.RangeErrorProjected].V
				if math.Abs(got-largest) > 1e-9 || (got < 0) != (change > 0) || math.Abs(got) < 0.1 {
					t.Errorf("%s, %g of leakage at %g mm: projected %g, want %g", offsets, change, working, got, largest)
				}
			}
		}
	}
}

// The lines of the budget that the product states alone, by hand: the end of a
// scale of JCGM 100, with each line at its own size so that none hides another.
func TestStatedLines(t *testing.T) {
	c := scene{leak: 0.1, photons: 1e5, distance: 500, uD: 0.7, tempCel: 33, setup: hopper(2, 3)}.withDefaults()
	b := &c.setup.Budget
	b.DirectionU, b.TempCoeff, b.TempCoeffU, b.TempU, b.TempRefCel = 0.01, 0.2, 0.03, 2, 23
	b.BinEdgePS, b.TimeBase, b.QuantisationMM = 4, 1e-3, 0.6
	e := estimator(t, c.setup)
	_, o := measure(t, e, c.make(rand.New(rand.NewPCG(4, 9))))
	for z := range 6 {
		got := map[string]float64{}
		for _, l := range o.ZoneBudget(z) {
			got[l.Line] = l.MM
		}
		s := sec(c.setup, z)
		u := math.Hypot(c.setup.Grid.Ux[z], c.setup.Grid.Uy[z])
		for name, want := range map[string]float64{
			estimate.LineDistance:     0.7 * s,
			estimate.LineDirection:    500 * u * s * 0.01,
			estimate.LineTemperature:  math.Hypot(0.03*10, 0.2*2),
			estimate.LineBinEdge:      4 * halfC,
			estimate.LineTimeBase:     500 * s * 1e-3,
			estimate.LineQuantisation: 0.6 / math.Sqrt(12),
			estimate.LineZoneMean:     0,
		} {
			if math.Abs(got[name]-want) > 1e-9 {
				t.Errorf("zone %d, %s: %g, want %g", z, name, got[name], want)
			}
		}
		sum := 0.0
		for _, v := range got {
			sum += v * v
		}
		if math.Abs(math.Sqrt(sum)-o.Zones[z].OffsetUMM) > 1e-9 {
			t.Errorf("zone %d: lines add up to %g, u is %g", z, math.Sqrt(sum), o.Zones[z].OffsetUMM)
		}
	}
	if o.ZoneBudget(-1) != nil || o.ZoneBudget(6) != nil {
		t.Error("a budget of a zone that is not there")
	}
}
