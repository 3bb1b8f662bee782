package station_test

import (
	"testing"
	"time"

	"example.org/panecal/station"
)

// emitting is a bench of one light group on which the first unit falls silent
// while it emits; the second one waits. next tells when that one emitted.
func emitting(t *testing.T) (w *world, next *time.Time) {
	s := usual()
	s.nests, s.one = 2, "bench"
	w, next = newWorld(t, s), &time.Time{}
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	w.fail = func(e station.Effect) *station.Failure {
		switch e.Job.(type) {
		case station.Capture, station.Halt, station.Identify:
			if e.Nest == 0 && w.units[0] != nil && w.units[0].id.UnitID == "u1" && w.step(0) > station.Recalling {
				return &silent
			}
		}
		return nil
	}
	w.effects = func(e station.Effect) {
		if _, ok := e.Job.(station.Capture); ok && e.Nest == 1 && next.IsZero() {
			*next = w.now
		}
	}
	w.seat(0, newUnit("u1", "A1"))
	w.seat(1, newUnit("u2", "A2"))
	w.tell(0, 0, station.Scanned{Text: "A1"})
	w.tell(1, 0, station.Scanned{Text: "A2"})
	w.pass(10 * time.Second)
	s1 := w.machine.Snapshot()
	if s1.Hands.Code != station.HandsEmitter || s1.Hands.Nest != 0 || len(s1.Standing) != 1 || len(w.attempts()) != 1 || !next.IsZero() {
		t.Fatalf("hands %+v, standing %v, %d attempts, the next emitted at %v", s1.Hands, s1.Standing, len(w.attempts()), next)
	}
	return w, next
}

// TestSilenceFreesNoLight: a unit that did not say that its emitter is off may
// emit, watchdog or not. Silence ends that neither in its nest nor after it was
// taken out; that unit's word, another unit in its place or a person's word do.
func TestSilenceFreesNoLight(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(w *world)
		free bool
	}{
		{"silence", func(w *world) {}, false},
		{"it is taken out", func(w *world) { delete(w.units, 0) }, false},
		{"go", func(w *world) { w.tell(0, 0, station.Go{}) }, false},
		{"it says that it is off", func(w *world) { w.fail = nil }, true},
		{"a person's word", func(w *world) { w.tell(0, 0, station.Unpowered{}) }, true},
		{"another unit", func(w *world) { w.seat(0, newUnit("u3", "A3")) }, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			w, next := emitting(t)
			c.do(w)
			w.pass(time.Minute)
			s := w.machine.Snapshot()
			if free := !next.IsZero(); free != c.free || (s.Hands.Code == station.HandsEmitter) == c.free || (len(s.Standing) == 0) != c.free {
				t.Errorf("free: %v; hands %v, standing %v", free, s.Hands, s.Standing)
			}
			w.fail = nil
			if w.units[0] != nil {
				w.units[0].emits = false
			}
			w.leave(c.name)
		})
	}
}

// A nest that waits for another's light and is given up meanwhile does not emit
// when the light gets free.
func TestNoLightForWhoLeft(t *testing.T) {
	s := usual()
	s.nests, s.one = 2, "bench"
	w := newWorld(t, s)
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	w.seat(0, newUnit("u1", "A1"))
	w.seat(1, newUnit("u2", "A2"))
	emitted := 0
	w.effects = func(e station.Effect) {
		if _, ok := e.Job.(station.Capture); ok && e.Nest == 1 {
			emitted++
		}
	}
	w.tell(0, 0, station.Scanned{Text: "A1"})
	w.tell(1, 0, station.Scanned{Text: "A2"})
	// The first nest's capture runs and runs; the second comes to its own.
	var held *station.Effect
	for range 200 {
		if len(w.pending) == 0 {
			if held != nil && w.view(1).Step == w.view(0).Step {
				break
			}
			w.nextTimer()
			continue
		}
		e := w.pending[0]
		w.pending = w.pending[1:]
		if _, ok := e.Job.(station.Capture); ok && e.Nest == 0 && held == nil {
			held = &e
			continue
		}
		w.tell(e.Nest, e.Token, w.answer(e))
	}
	if held == nil || w.view(1).Step != w.view(0).Step || emitted != 0 {
		t.Fatalf("nests are %v and %v, %d captures in the second", w.view(0).Step, w.view(1).Step, emitted)
	}
	w.tell(station.NoNest, 0, station.Shutdown{Why: "test"})
	w.tell(0, held.Token, w.answer(*held))
	w.pass(10 * time.Second)
	if emitted != 0 {
		t.Errorf("%d captures in a nest that was given up", emitted)
	}
	w.leave("no light")
}
