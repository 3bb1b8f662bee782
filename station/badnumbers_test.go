package station_test

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/station"
)

// TestHalfWrittenBlock: whatever part of a block a unit holds, from its first
// byte to its last but one, the read-back tells, and nothing is released.
func TestHalfWrittenBlock(t *testing.T) {
	whole := 0
	scenarios()[0].begin(t, func(w *world) {
		w.awaited = func(e station.Effect) {
			if j, ok := e.Job.(station.Write); ok {
				whole = len(j.Block)
			}
		}
	})
	if whole < 100 {
		t.Fatalf("a block of %d bytes", whole)
	}
	for n := range whole {
		olds := [][]byte{nil, protocol.VoidBlock(), released(t)}
		if os.Getenv("PANECAL_FULL") == "" {
			olds = olds[n%3 : n%3+1]
		}
		for _, old := range olds {
			w := newWorld(t, usual())
			u := newUnit("u1", "A1")
			u.block = old
			w.fail = func(e station.Effect) *station.Failure {
				if j, ok := e.Job.(station.ReadBlock); ok && w.step(0) == station.ReadingBack {
					_ = j
					part := bytes.Clone(u.block[:n])
					if n < len(old) {
						part = append(part, old[n:]...)
					}
					u.block = part
				}
				return nil
			}
			w.tell(station.NoNest, 0, station.Started{})
			w.pass(time.Second)
			w.calibrate(0, "A1", u)
			a := w.attempts()
			if len(a) != 1 || a[0].Outcome == station.Passed || problems(a[0]) != string(station.FailedReadBack) || len(w.shown) != 1 || w.shown[0].Released() {
				t.Fatalf("%d of %d bytes over %d: %d attempts, shown %+v", n, whole, len(old), len(a), w.shown)
			}
		}
	}
	t.Logf("%d cuts over old blocks of three kinds", whole)
}

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
