package station_test

import (
	"testing"
	"time"

	"example.org/panecal/station"
)

// TestRemaining: how long a step takes is learned from earlier units.
func TestRemaining(t *testing.T) {
	w := newWorld(t, usual())
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	slow := func(e station.Effect) time.Duration {
		if c, ok := e.Job.(station.Capture); ok && c.Name != "look" {
			return 3 * time.Second
		}
		return 0
	}
	for i, label := range []string{"A1", "A2"} {
		u := newUnit("u"+label, label)
		w.tell(0, 0, station.Scanned{Text: label})
		w.seat(0, u)
		checked := false
		for range 400 {
			if w.step(0) == station.Targeting {
				u.target = true
			}
			if w.step(0) == station.Showing {
				break
			}
			if len(w.pending) == 0 {
				w.nextTimer()
				continue
			}
			e := w.pending[0]
			w.drop(e)
			if w.step(0) == station.TargetCapture && i == 1 {
				checked = true
				// Target capture and verification, three seconds each.
				if left := w.view(0).Remaining; left < 5*time.Second || left > 7*time.Second {
					t.Errorf("%v remaining", left)
				}
			}
			if i == 0 && w.step(0) == station.TargetCapture && w.view(0).Remaining >= 0 {
				t.Errorf("the first unit promises %v", w.view(0).Remaining)
			}
			w.now = w.now.Add(slow(e))
			w.tell(e.Nest, e.Token, w.answer(e))
		}
		if i == 1 && !checked {
			t.Error("the second unit was never in its target capture")
		}
		delete(w.units, 0)
		w.pass(2 * time.Second)
	}
}
