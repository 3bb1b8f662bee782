package station_test

import (
	"bytes"
	"fmt"
	"math"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
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

// TestAuditOfUnadjusted: what constants would do cannot be measured where none
// are written, and accuses no unit; a unit that does bear constants is asked.
func TestAuditOfUnadjusted(t *testing.T) {
	for _, p := range []station.Purpose{station.Audit, station.Study, station.Check} {
		for _, block := range [][]byte{nil, protocol.VoidBlock(nil), released(t)} {
			set := usual()
			set.purpose = p
			w := newWorld(t, set)
			w.tell(station.NoNest, 0, station.Started{})
			w.pass(time.Second)
			u := newUnit("u1", "A1")
			u.block = block
			w.calibrate(0, "A1", u)
			a := w.attempts()
			if len(a) != 1 || a[0].Outcome != station.Passed || len(w.shown) != 1 {
				t.Fatalf("%s: %+v", p, a)
			}
			asked := false
			for _, l := range a[0].Judgement.Lines {
				asked = asked || l.Name == quantity.VerifyError && !math.IsNaN(l.V)
			}
			if adjusted := bytes.Equal(block, released(t)); asked != adjusted || w.shown[0].Marked != adjusted {
				t.Errorf("%s of a unit with %d bytes: verify.error asked for: %v, verdict %+v", p, len(block), asked, w.shown[0])
			}
		}
	}
}
