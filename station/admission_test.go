package station_test

import (
	"testing"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/product"
)

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
