package station_test

import (
	"testing"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/product"
)

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

// What the eyes on a label cannot see is said: the keyboard is at fault.
func TestKeyboardIsSuspected(t *testing.T) {
	w := worldOf(t, usual(), func(*station.Config) {})
	for _, c := range []struct {
		scan string
		want station.Code
	}{{"a17", station.RefusedCapsLock}, {"Aà1", station.RefusedLabel}, {"Q&è", station.RefusedLayout}, {"?", station.RefusedLabel}} {
		w.said = nil
		w.tell(station.NoNest, 0, station.Scanned{Text: c.scan})
		if len(w.said) != 1 || w.said[0].Code != c.want {
			t.Errorf("%q: %+v, want %s", c.scan, w.said, c.want)
		}
		if w.machine.Snapshot().Label != "" {
			t.Errorf("%q opened a label", c.scan)
		}
	}
}

// Blanks around a label are no part of it.
func TestBlanksAroundALabel(t *testing.T) {
	w := newWorld(t, usual())
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	w.tell(station.NoNest, 0, station.Scanned{Text: "  A1 "})
	if got := w.machine.Snapshot().Label; got != "A1" {
		t.Errorf("%q is open, said %+v", got, w.said)
	}
	w.leave("blanks")
}
