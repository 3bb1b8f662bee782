package survey

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.org/panecal/station/estimate"
)

// TestZeros: datum and slope of made-up returns come back, within their u.
func TestZeros(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	g := &estimate.Grid{Rows: 5, Cols: 5}
	for z := range 25 {
		g.Ux, g.Uy = append(g.Ux, 0.2*float64(z%5-2)), append(g.Uy, 0.2*float64(z/5-2))
	}
	const datum, slope, u = 1.6, 0.06, 0.15
	var units []Unit
	p := &Pulse{}
	for i := range 8 {
		var one Unit
		zero := 5 * r.NormFloat64()
		own := make([]float64, 25)
		for z := range own {
			own[z] = 0.2 * r.NormFloat64()
		}
		for k, cel := range []float64{22, 30} {
			one.Targets = append(one.Targets, Target{Histogram: estimate.Histogram{TempCel: cel}, Reference: estimate.Reference{DistanceMM: 300, DistanceUMM: u}})
			far := 300 + u*r.NormFloat64() + datum
			for z := range 25 {
				mm := sec(g, z)*far + zero + own[z] + slope*(cel-25) + 0.1*r.NormFloat64()
				p.Returns = append(p.Returns, Return{Unit: i, Zone: z, Target: k, PS: mm / MMPerPS, U: 0.1 / MMPerPS})
			}
		}
		units = append(units, one)
	}
	if mm, du := Datum(units, p, g); !(math.Abs(mm-datum) < 3*du && du < 1) {
		t.Errorf("datum %.2f, u %.2f; it is %g", mm, du, datum)
	}
	if k, ku, n := Slope(units, p, g); n != 8 || !(math.Abs(k-slope) < 3*ku && ku < 0.03) {
		t.Errorf("slope %.3f, u %.3f, %d units; it is %g", k, ku, n, slope)
	}
	if k, ku, n := Slope(units[:2], p, g); n != 2 || !(math.Abs(k-slope) < 3*ku && ku > 0.01) {
		t.Errorf("of two units: slope %.3f, u %.3f, %d units; it is %g", k, ku, n, slope)
	}
	if mm, _ := Datum(units[:2], p, g); !math.IsNaN(mm) {
		t.Errorf("two units tell a datum of %g", mm)
	}
	for i := range units {
		units[i].Targets[1].Histogram.TempCel = 23
	}
	if _, _, n := Slope(units, p, g); n != 0 {
		t.Errorf("%d units tell a slope by 1 K", n)
	}
}
