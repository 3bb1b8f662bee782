package station_test

import (
	"fmt"
	"math"
	"testing"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
)

// TestNoNumberNeverPasses: what is no number, or none that can be, fails a
// unit, with a reason on record.
func TestNoNumberNeverPasses(t *testing.T) {
	for _, name := range []quantity.Name{quantity.LeakageMax, quantity.OffsetMean, quantity.VerifyError} {
		for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 1e300, -1e300} {
			if name == quantity.LeakageMax && v < 0 {
				continue // its limit has no lower side
			}
			w := scenarios()[0].begin(t, func(w *world) { w.values[name] = v })
			a := w.attempts()
			if len(a) != 1 || a[0].Outcome == station.Passed || len(a[0].Problems) == 0 || len(w.shown) != 1 || w.shown[0].Released() {
				t.Errorf("%s = %v: %d attempts, shown %+v", name, v, len(a), w.shown)
			}
			w.leave(fmt.Sprint(name, v))
		}
	}
}
