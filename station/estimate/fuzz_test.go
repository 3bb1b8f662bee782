package estimate_test

import (
	"math"
	"testing"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/estimate"
)

// FuzzEstimate: any counts give finite numbers or none; and the same counts
// with an axis that begins later give the same rates and ranges as much
// longer.
func FuzzEstimate(f *testing.F) {
	f.Add([]byte{1, 0, 0, 0, 200, 9, 3, 0, 1, 1}, []byte{0, 0, 40, 255, 40, 1, 1, 0}, uint16(1000), false, 100.0)
	f.Add([]byte{}, []byte{255, 255, 255, 255}, uint16(60000), true, -333.25)
	f.Add([]byte{0, 0, 9, 90, 90, 9, 0, 0, 0, 0, 0, 0, 1, 0, 0, 1}, []byte{0, 0, 9, 90, 90, 9, 0, 0, 0, 7, 60, 60, 7, 0}, uint16(5000), true, 1e4)
	f.Fuzz(func(t *testing.T, empty, target []byte, shots uint16, first bool, shift float64) {
		if !(math.Abs(shift) < 1e5) {
			return
		}
		shift = math.Round(shift*4) / 4
		s := hopper(1, 2)
		s.Bins = 40
		s.Budget.LeakageChangeU = 0.02
		n := int64(shots) + 1
		if first {
			s.PileUp = estimate.FirstPhoton
			n = 40 * 255 * (int64(shots%7) + 1)
		}
		fill := func(b []byte) estimate.Histogram {
			h := estimate.Histogram{Shots: n, Counts: make([]uint32, 80), TempCel: math.NaN()}
			for i := range h.Counts {
				if len(b) > 0 {
					h.Counts[i] = uint32(b[i%len(b)])
				}
			}
			return h
		}
		run := func(s estimate.Setup) (*estimate.Leakage, *estimate.Offsets) {
			e, err := estimate.New(s)
			if err != nil {
				t.Fatal(err)
			}
			l, err := e.Empty(fill(empty))
			if err != nil {
				t.Fatal(err)
			}
			o, err := e.Target(l, fill(target), estimate.Reference{DistanceMM: 500, DistanceUMM: 0.1}, nil)
			if err != nil {
				t.Fatal(err)
			}
			for _, set := range []quantity.Set{l.Quantities, o.Quantities} {
				for name, q := range set {
					if math.IsInf(q.V, 0) || math.IsInf(q.U, 0) || q.U < 0 {
						t.Fatalf("%s is %v", name, q.Value)
					}
				}
			}
			return l, o
		}
		l1, o1 := run(s)
		moved := s
		moved.FirstBinPS += shift
		moved.LeakageWindowPS[0] += shift
		moved.LeakageWindowPS[1] += shift
		l2, o2 := run(moved)
		same := func(what string, a, b, tol float64) {
			if math.IsInf(a, 0) || math.IsNaN(a) != math.IsNaN(b) || math.Abs(a-b) > tol {
				t.Fatalf("%s: %g, moved by %g ps: %g", what, a, shift, b)
			}
		}
		for z := range 2 {
			// The search begins at the same places; rounding may end it a little apart.
			same("leakage", l1.Zones[z].Leakage, l2.Zones[z].Leakage, 1e-6)
			same("flags", float64(o1.Zones[z].Flags), float64(o2.Zones[z].Flags), 0)
			if u := o1.Zones[z].RangeUMM; u < 20 { // else there is no peak to speak of
				same("range", o1.Zones[z].RangeMM+halfC*shift, o2.Zones[z].RangeMM, 0.05*u+1e-6)
			}
		}
	})
}
