package station_test

import (
	"slices"
	"testing"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/product"
)

// A target is captured when it stands. What looks like the last one, at its
// distance, needs two looks for that; everything else three, with pauses.

// shines makes the unit's captures as bright as so many counts per shot.
func shines(u *unit, rate float64) { u.rate = rate }

// watched seats a unit and lets its looks see one rate after the other, the
// last one for ever. It returns how many looks that took, and how long.
func (w *world) watched(label string, rates ...float64) (looks int, took time.Duration) {
	w.t.Helper()
	u := newUnit("u"+label, label)
	w.tell(station.NoNest, 0, station.Scanned{Text: label})
	w.seat(0, u)
	var began time.Time
	for range 2000 {
		if w.step(0) == station.Showing {
			break
		}
		if len(w.pending) == 0 {
			w.nextTimer()
			continue
		}
		e := w.pending[0]
		w.drop(e)
		if c, ok := e.Job.(station.Capture); ok && c.Name == "look" {
			if looks == 0 {
				began = w.now
			}
			shines(u, rates[min(looks, len(rates)-1)])
			looks++
			w.now = w.now.Add(80 * time.Millisecond)
			took = w.now.Sub(began)
		}
		w.tell(e.Nest, e.Token, w.answer(e))
	}
	if w.step(0) != station.Showing {
		w.t.Fatalf("%s is %v", label, w.step(0))
	}
	delete(w.units, 0)
	w.pass(2 * time.Second)
	return looks, took
}

func TestTargetMustStand(t *testing.T) {
	const dark, target = 0.05, 0.2
	for _, c := range []struct {
		name  string
		rates []float64
		looks int
	}{
		{"like the last", []float64{target}, 2},
		{"a bit brighter than the last", []float64{1.15 * target}, 2},
		{"after a while", []float64{dark, dark, target}, 4},
		{"brought slowly", []float64{0.1, 0.16, 0.25, target}, 5},
		{"still moving where the last stood", []float64{0.16, 0.24, 0.16, 0.24, target}, 6},
		{"a hand that stays a moment", []float64{0.5, 0.5, dark, target}, 5},
		{"a dark target", []float64{0.12}, 3},
		{"a bright target", []float64{0.4}, 3},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWorld(t, usual())
			w.tell(station.NoNest, 0, station.Started{})
			w.pass(time.Second)
			if n, _ := w.watched("A1", target); n != 3 {
				t.Errorf("the first unit took %d looks, want 3", n)
			}
			n, took := w.watched("A2", c.rates...)
			if n != c.looks {
				t.Errorf("%d looks in %v, want %d", n, took, c.looks)
			}
		})
	}
}

// TestQuickLooks: on a line on which a look takes no time, two that follow at
// once would not show that anything stands.
func TestQuickLooks(t *testing.T) {
	w := newWorld(t, usual())
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	w.calibrate(0, "A1", newUnit("u1", "A1"))
	u := newUnit("u2", "A2")
	w.tell(station.NoNest, 0, station.Scanned{Text: "A2"})
	w.seat(0, u)
	u.target = false
	for w.step(0) != station.Targeting {
		w.pass(10 * time.Millisecond)
	}
	w.pass(200 * time.Millisecond)
	u.target = true
	came := w.now
	for w.step(0) == station.Targeting {
		w.nextTimer()
		w.run()
	}
	if took := w.now.Sub(came); took < 60*time.Millisecond || took > 400*time.Millisecond {
		t.Errorf("captured %v after it came", took)
	}
}

// A look is a hundredth of the target capture, and two thousand shots at least:
// fewer show no target.
func TestShotsOfALook(t *testing.T) {
	for target, want := range map[int64]int64{1000: 2000, 200_000: 2000, 200_200: 2002, 1_000_000: 10_000} {
		var shots []int64
		w := worldOf(t, usual(), func(c *station.Config) { c.Files.Product.Capture.Target = product.Plan{Shots: target / 2, Frames: 2} })
		w.effects = func(e station.Effect) {
			if c, ok := e.Job.(station.Capture); ok && c.Name == "look" {
				shots = append(shots, c.Request.Shots*int64(c.Request.Frames))
			}
		}
		w.through("A1")
		if len(shots) == 0 || slices.ContainsFunc(shots, func(n int64) bool { return n != want }) {
			t.Errorf("target capture of %d shots: looks of %d, want %d", target, shots, want)
		}
	}
}
