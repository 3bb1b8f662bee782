package station_test

import (
	"testing"
	"time"

	"example.org/panecal/station"
)

// TestRemaining: how long a step takes is learned from earlier units.
func TestRemaining(t *testing.T) {
	for _, c := range []struct {
		at        station.Step
		fixture   bool
		low, high time.Duration
	}{
		{station.EmptyCapture, false, 3 * time.Second, 4 * time.Second},  // hands bring the target after it
		{station.TargetCapture, false, 5 * time.Second, 7 * time.Second}, // it and the verification
		{station.Emptying, true, 8 * time.Second, 10 * time.Second},      // all three captures, and no hands
	} {
		t.Run(c.at.String(), func(t *testing.T) {
			set := usual()
			set.fixture = c.fixture
			w := newWorld(t, set)
			w.tell(station.NoNest, 0, station.Started{})
			w.pass(time.Second)
			for i, label := range []string{"A1", "A2"} {
				promised := remainingAt(w, label, c.at)
				switch {
				case len(promised) == 0:
					t.Fatalf("unit %d was never there", i+1)
				case i == 0 && promised[0] >= 0:
					t.Errorf("the first unit promises %v", promised[0])
				case i == 1 && (promised[0] < c.low || promised[0] > c.high):
					t.Errorf("%v remaining", promised[0])
				}
			}
		})
	}
}

// remainingAt takes a unit through, with captures of three seconds, and tells
// what the nest promises at a step.
func remainingAt(w *world, label string, at station.Step) (promised []time.Duration) {
	w.tell(0, 0, station.Scanned{Text: label})
	u := newUnit("u"+label, label)
	w.seat(0, u)
	for range 400 {
		if w.step(0) == station.Showing {
			break
		}
		u.target = u.target || w.step(0) == station.Targeting
		if len(w.pending) == 0 {
			w.nextTimer()
			continue
		}
		e := w.pending[0]
		w.drop(e)
		if w.step(0) == at {
			promised = append(promised, w.view(0).Remaining)
		}
		if c, ok := e.Job.(station.Capture); ok && c.Name != "look" {
			w.now = w.now.Add(3 * time.Second)
		}
		w.tell(e.Nest, e.Token, w.answer(e))
	}
	delete(w.units, 0)
	w.pass(2 * time.Second)
	return promised
}
