package station_test

import (
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
)

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

// TestTargetUnseen: while the light belongs to another nest, nobody sees the
// target come. The hands are told to bring it, and after a while whatever else
// there is; once it is seen, they are told to keep off.
func TestTargetUnseen(t *testing.T) {
	s := usual()
	s.nests, s.one = 3, "one"
	w := newWorld(t, s)
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	hands := func(want station.Code, nest int) {
		t.Helper()
		if h := w.machine.Snapshot().Hands; h.Code != want || h.Nest != nest {
			t.Errorf("hands %s at %d, want %s at %d", h.Code, h.Nest, want, nest)
		}
	}
	a, b := newUnit("u1", "A1"), newUnit("u2", "A2")
	var slow []station.Effect // captures of the second nest
	w.awaited = func(e station.Effect) {
		if c, ok := e.Job.(station.Capture); ok && e.Nest == 1 && c.Name == "empty" {
			slow = append(slow, e)
		}
	}
	w.tell(0, 0, station.Scanned{Text: "A1"})
	w.seat(0, a)
	for w.step(0) != station.Targeting {
		w.pass(10 * time.Millisecond)
	}
	hands(station.HandsTarget, 0)
	w.tell(1, 0, station.Scanned{Text: "A2"})
	w.seat(1, b)
	for range 20 { // until the second nest has the light
		for len(w.pending) > 0 && len(slow) == 0 {
			e := w.pending[0]
			w.drop(e)
			w.tell(e.Nest, e.Token, w.answer(e))
		}
		if len(slow) == 0 {
			w.nextTimer()
		}
	}
	for len(slow) > 0 && !w.view(0).Waiting {
		w.nextTimer()
	}
	hands(station.HandsTargetIn, 0)
	for range 4 {
		w.now = w.now.Add(time.Second)
		w.tell(station.NoNest, 0, station.Tick{})
	}
	hands(station.HandsScan, station.NoNest) // the third nest is empty
	a.target = true
	w.tell(1, slow[0].Token, w.answer(slow[0]))
	w.drop(slow[0])
	for w.step(1) != station.Targeting || len(w.pending) > 0 { // the light changes hands
		e := w.pending[0]
		w.drop(e)
		w.tell(e.Nest, e.Token, w.answer(e))
	}
	// The target of the first nest is seen, and looked at once more.
	if w.step(0) != station.Targeting {
		t.Errorf("the first nest is %v", w.step(0))
	}
	hands(station.HandsTarget, 1)
	b.target = true
	w.attend(0)
	hands(station.HandsPassed, 0)
}
