package station_test

import (
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
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

// TestHandsOrder: one thing at a time, failed units first.
func TestHandsOrder(t *testing.T) {
	s := usual()
	s.nests = 3
	w := newWorld(t, s)
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	hands := func(want station.Code, nest int) {
		t.Helper()
		if h := w.machine.Snapshot().Hands; h.Code != want || h.Nest != nest {
			t.Errorf("hands %s at %d, want %s at %d", h.Code, h.Nest, want, nest)
		}
	}
	hands(station.HandsScan, station.NoNest)
	good, bad := newUnit("u1", "A1"), newUnit("u2", "A2")
	w.tell(0, 0, station.Scanned{Text: "A1"})
	w.seat(0, good)
	w.attend(0)
	hands(station.HandsPassed, 0)
	w.values[quantity.LeakageMax] = 0.2
	w.tell(1, 0, station.Scanned{Text: "A2"})
	w.seat(1, bad)
	w.attend(1)
	hands(station.HandsFailed, 1)
	w.tell(station.NoNest, 0, station.Scanned{Text: "A3"})
	hands(station.HandsSeat, station.NoNest) // a unit is in the hand
	w.seat(2, newUnit("u3", "A3"))
	w.pass(time.Second)
	hands(station.HandsFailed, 1)
	delete(w.units, 1)
	w.pass(time.Second)
	hands(station.HandsTarget, 2)
	delete(w.units, 0)
	w.pass(time.Second)
	hands(station.HandsTarget, 2)
}

// TestFilesOfTheScan: a unit is measured by the files in force when its label
// was scanned, whatever is taken up before it is seated.
func TestFilesOfTheScan(t *testing.T) {
	w := newWorld(t, usual())
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	w.tell(station.NoNest, 0, station.Scanned{Text: "A1"})
	other := usual().files(t)
	other.Product.Name = "feeder-9"
	w.tell(station.NoNest, 0, station.TakeUp{Files: other})
	u := newUnit("u1", "A1")
	w.seat(0, u)
	w.attend(0)
	if len(w.shown) != 1 || !w.shown[0].Released() {
		t.Errorf("shown %+v, said %+v", w.shown, w.said)
	}
}
