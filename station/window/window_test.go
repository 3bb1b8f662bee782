package window_test

import (
	"fmt"
	"math"
	"testing"

	"example.org/panecal/station/window"
)

// clear is an uncoated glass window over a baseline of 2.5 mm.
func clear(gap, thickness float64) window.Window {
	return window.Window{Plate: window.NewPlate(window.Materials()[0], 0.94, thickness),
		BaselineMM: 2.5, GapMM: gap, HalfPowerDeg: 25, ApertureMM2: 0.1, TopReflectance: 0.1}
}

func leakage(w window.Window) float64 {
	f, _ := window.Total(w.Leakage())
	return f
}

// Facts of the trade: common practice, no source.
func TestLeakageGrowsWithGap(t *testing.T) {
	for _, thickness := range []float64{0.7, 1, 2} {
		last := 0.0
		for _, gap := range []float64{0.1, 0.3, 0.5, 0.8, 1.0, 1.5} {
			if f := leakage(clear(gap, thickness)); f <= last {
				t.Errorf("thickness %g gap %g: leakage %g does not exceed %g", thickness, gap, f, last)
			} else {
				last = f
			}
		}
	}
}

func TestLeakageGrowsWithThickness(t *testing.T) { // common practice, no source
	for _, gap := range []float64{0.3, 0.5, 1} {
		last := 0.0
		for _, thickness := range []float64{0.5, 0.7, 1, 1.5, 2} {
			if f := leakage(clear(gap, thickness)); f <= last {
				t.Errorf("gap %g thickness %g: leakage %g does not exceed %g", gap, thickness, f, last)
			} else {
				last = f
			}
		}
	}
}

// Half a millimetre of gap and 1 mm of glass are good: at most a third of what
// 1.5 mm and 2 mm leak. Common practice, no source.
func TestSmallGapThinGlassIsGood(t *testing.T) {
	if good, bad := leakage(clear(0.5, 1)), leakage(clear(1.5, 2)); good > bad/3 {
		t.Errorf("gap 0.5 glass 1: %g, gap 1.5 glass 2: %g", good, bad)
	}
}

func TestGasketRemovesMost(t *testing.T) { // common practice, no source
	for _, dirt := range []float64{0, 0.002} {
		w := clear(0.5, 1)
		w.OuterScatter = dirt
		open := leakage(w)
		w.GasketMM = 1.5
		if left := leakage(w) / open; left > 0.1 {
			t.Errorf("outer scatter %g: a gasket leaves %.3f of the leakage", dirt, left)
		}
	}
}

func TestDirtRaisesLeakage(t *testing.T) { // common practice, no source
	clean := leakage(clear(0.5, 1))
	for name, soil := range map[string]func(*window.Window){
		"fingerprint outside": func(w *window.Window) { w.OuterScatter = 0.01 },
		"condensation inside": func(w *window.Window) { w.InnerScatter = 0.01 },
	} {
		w := clear(0.5, 1)
		soil(&w)
		if dirty := leakage(w); dirty < 1.05*clean {
			t.Errorf("%s: leakage %g, clean %g", name, dirty, clean)
		}
	}
}

func TestClearWindowPassesNinetyPercent(t *testing.T) { // common practice, no source
	for _, m := range window.Materials() {
		if through, _ := window.NewPlate(m, 0.94, 1).Transmittance(0); through < 0.9 {
			t.Errorf("%s passes %.3f at 940 nm", m.Name, through)
		}
	}
}

// Every path appears within a few millimetres of the unit's own zero.
func TestLeakageIsNear(t *testing.T) {
	for _, gap := range []float64{0.3, 0.5, 1, 1.5} {
		w := clear(gap, 1)
		w.InnerScatter, w.OuterScatter = 0.001, 0.001
		for _, p := range w.Leakage() {
			if d := p.DistanceMM(); p.Fraction > 0.01*leakage(w) && (d < 1 || d > 6) {
				t.Errorf("gap %g: %s appears at %.2f mm", gap, p.Face, d)
			}
		}
	}
}

// Zero thickness makes both faces one; the scatter of the outer face must then
// be that of the inner.
func TestOuterScatterOfAThinPlate(t *testing.T) {
	w := clear(0.5, 1e-9)
	w.Plate.Index, w.Plate.GroupIndex = 1+1e-9, 1+1e-9
	w.OuterScatter = 1
	var outer float64
	for _, p := range w.Leakage() {
		if p.Face == window.OuterScatter {
			outer = p.Fraction
		}
	}
	if inner := w.ScatterPerRho(90) * w.ApertureMM2; math.Abs(outer/inner-1) > 1e-6 {
		t.Errorf("outer %g, inner %g", outer, inner)
	}
}

func TestPathsThatDoNotExist(t *testing.T) {
	w := clear(0.5, 1)
	if _, ok := w.Specular(0, 1); ok {
		t.Error("a path without the gap")
	}
	w.GasketMM = 1.5
	if _, ok := w.Specular(1, 0); ok {
		t.Error("the inner face seen through a gasket")
	}
	if _, ok := w.Specular(1, 1); ok {
		t.Error("one reflection reaches under a gasket wider than its reach")
	}
}

func BenchmarkLeakage(b *testing.B) {
	w := clear(0.5, 1)
	w.InnerScatter, w.OuterScatter = 0.001, 0.001
	b.ReportAllocs()
	for b.Loop() {
		w.Leakage()
	}
}

func Example() {
	w := window.Window{
		Plate:      window.NewPlate(window.Materials()[0], 0.94, 1.1),
		BaselineMM: 2.5, GapMM: 0.4, HalfPowerDeg: 25, ApertureMM2: 0.1,
	}
	for _, p := range w.Leakage() {
		fmt.Printf("%s face, %d trips of the plate: %.1e of the light, at %.2f mm\n",
			p.Face, p.PlateTrips, p.Fraction, p.DistanceMM())
	}
	// Output:
	// inner face, 0 trips of the plate: 2.7e-07 of the light, at 1.31 mm
	// outer face, 1 trips of the plate: 1.3e-05 of the light, at 2.67 mm
	// outer face, 2 trips of the plate: 2.4e-07 of the light, at 4.15 mm
	// outer face, 3 trips of the plate: 4.5e-10 of the light, at 5.72 mm
}
