package station_test

import (
	"testing"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

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
