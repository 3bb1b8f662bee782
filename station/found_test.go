package station_test

import (
	"slices"
	"testing"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/station/product"
	"example.org/panecal/store/record"
)

// What simulated days have found, each as the shortest story that shows it.

// restart gives a world a new machine on its log, as the program's next start
// does.
func (w *world) restart(s settings) *world {
	w.t.Helper()
	s.recent = append(slices.Clone(w.log), record.Entry{Body: &record.SignOn{Person: "op-1"}})
	again := newWorld(w.t, s)
	again.now, again.units = w.now.Add(time.Minute), w.units
	again.log = slices.Clone(w.log)
	again.append(&record.SignOn{Person: "op-1"})
	again.tell(station.NoNest, 0, station.Started{})
	return again
}

// TestExchangedWhileConfirming: the operator confirms the rerun of one unit,
// and another has taken its place.
func TestExchangedWhileConfirming(t *testing.T) {
	s := usual()
	s.tie = product.TieFirst
	w := newWorld(t, s)
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	one, two := newUnit("u1", "A1"), newUnit("u2", "A2")
	w.calibrate(0, "A1", one)
	w.tell(0, 0, station.Scanned{Text: "A1"})
	w.seat(0, one)
	w.attend(0)
	if w.step(0) != station.Confirming {
		t.Fatal(w.step(0))
	}
	w.seat(0, two)
	w.pass(time.Second)
	w.tell(0, 0, station.Go{})
	w.attend(0)
	if len(w.attempts()) != 1 || two.block != nil {
		t.Errorf("%d attempts, the other unit holds %x", len(w.attempts()), two.block)
	}
	w.leave("exchanged")
}

// TestCutOffRerunIsNotPassed: a rerun has voided the constants of a unit that
// had passed, and was cut off. The unit is not sent to the passed ones.
func TestCutOffRerunIsNotPassed(t *testing.T) {
	for _, afterPass := range []bool{false, true} {
		s := usual()
		w := newWorld(t, s)
		w.tell(station.NoNest, 0, station.Started{})
		w.pass(time.Second)
		u := newUnit("u1", "A1")
		w.calibrate(0, "A1", u)
		w.tell(0, 0, station.Scanned{Text: "A1"})
		w.seat(0, u)
		w.attend(0)
		w.tell(0, 0, station.Go{})
		for w.step(0) != station.Targeting && len(w.pending) > 0 {
			e := w.pending[0]
			w.pending = w.pending[1:]
			w.tell(e.Nest, e.Token, w.answer(e))
		}
		if b, err := protocol.ParseBlock(u.block); err != nil || b.State != protocol.Voided {
			t.Fatalf("%v in %v", b, w.step(0))
		}
		s.afterPass = afterPass
		w = w.restart(s)
		delete(w.units, 0)
		w.pass(2 * time.Second)
		u.target = false
		w.calibrate(0, "A1", u)
		for _, e := range w.log {
			if r, ok := e.Body.(*record.Refusal); ok {
				t.Errorf("rerun after a pass allowed %v: refused, %s", afterPass, r.Code)
			}
		}
		if len(w.shown) != 1 || w.shown[0].Again || !w.shown[0].Released() {
			t.Errorf("shown %+v", w.shown)
		}
		w.leave("cut off")
	}
}

// TestUnseenPassIsHeldAgainstTheUnit: a pass that nobody saw is not shown
// again for a unit that has lost its constants since.
func TestUnseenPassIsHeldAgainstTheUnit(t *testing.T) {
	s := usual()
	w := newWorld(t, s)
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	u := newUnit("u1", "A1")
	w.calibrate(0, "A1", u)
	u.block = protocol.VoidBlock() // at another station
	w = w.restart(s)
	w.pass(time.Second)
	w.calibrate(0, "A1", u)
	if len(w.shown) != 1 || w.shown[0].Again || !w.shown[0].Released() || len(w.attempts()) != 2 {
		t.Errorf("shown %+v", w.shown)
	}
	w.leave("held against")
}

// TestUnseenOutlivesTwoStarts: another unit runs in the nest after the first
// start; the result that nobody saw is shown after the second all the same.
func TestUnseenOutlivesTwoStarts(t *testing.T) {
	s := usual()
	w := newWorld(t, s)
	w.values["leakage.max"] = 0.3
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	u := newUnit("u1", "A1")
	w.calibrate(0, "A1", u)
	if len(w.attempts()) != 1 {
		t.Fatalf("%d attempts", len(w.attempts()))
	}
	w = w.restart(s) // nothing came after the result: nobody may have seen it
	w.pass(time.Second)
	w.calibrate(0, "A2", newUnit("u2", "A2"))
	w = w.restart(s)
	w.pass(time.Second)
	w.calibrate(0, "A1", u)
	if len(w.shown) != 1 || !w.shown[0].Again || w.shown[0].Serial != "A1" || w.shown[0].Disposition != station.Rework {
		t.Errorf("shown %+v", w.shown)
	}
	w.leave("unseen")
}

// TestLabelScannedAtTheStart: a unit that lay in the nest before the label was
// scanned does not take it, even if no probe has met it yet.
func TestLabelScannedAtTheStart(t *testing.T) {
	s := usual()
	s.tie = product.TieFirst
	w := newWorld(t, s)
	w.seat(0, newUnit("u1", "A1"))
	w.tell(station.NoNest, 0, station.Started{})
	e := w.pending[0] // the port is open, nobody has been asked yet
	w.pending = nil
	w.tell(e.Nest, e.Token, w.answer(e))
	w.tell(station.NoNest, 0, station.Scanned{Text: "A2"})
	w.pass(time.Second)
	if w.step(0) != station.Unlabelled || len(w.log) != 0 {
		t.Errorf("%v, %d records", w.step(0), len(w.log))
	}
	w.leave("at the start")
}

// TestReplacedLabel: the unit was seated for the label before; the label that
// replaces it a moment later is not that unit's.
func TestReplacedLabel(t *testing.T) {
	s := usual()
	s.tie = product.TieFirst
	w := newWorld(t, s)
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	w.tell(station.NoNest, 0, station.Scanned{Text: "A1"})
	w.seat(0, newUnit("u1", "A1"))
	w.tell(station.NoNest, 0, station.Scanned{Text: "A2"})
	w.pass(time.Second)
	if w.step(0) != station.Unlabelled || len(w.log) != 0 {
		t.Errorf("%v, %d records", w.step(0), len(w.log))
	}
	w.leave("replaced")
}

// TestLightWaitsForTheDark: a unit that does not confirm its stop may emit
// until its watchdog acts; the next nest of its light group waits for that.
func TestLightWaitsForTheDark(t *testing.T) {
	s := usual()
	s.nests, s.one = 2, "bench"
	w := newWorld(t, s)
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	var failedAt, next time.Time
	w.fail = func(e station.Effect) *station.Failure {
		switch e.Job.(type) {
		case station.Capture:
			if e.Nest == 0 {
				failedAt = w.now
				return &silent
			}
		case station.Halt:
			return &silent
		}
		return nil
	}
	w.effects = func(e station.Effect) {
		if _, ok := e.Job.(station.Capture); ok && e.Nest == 1 && next.IsZero() {
			next = w.now
		}
	}
	w.seat(0, newUnit("u1", "A1"))
	w.seat(1, newUnit("u2", "A2"))
	w.tell(0, 0, station.Scanned{Text: "A1"})
	w.tell(1, 0, station.Scanned{Text: "A2"})
	w.pass(5 * time.Second)
	if failedAt.IsZero() || next.Sub(failedAt) < time.Second {
		t.Errorf("failed at %v, the next emits at %v", failedAt, next)
	}
	w.units[0].emits = false
	w.leave("light")
}
