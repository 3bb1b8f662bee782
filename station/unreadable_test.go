package station_test

import (
	"testing"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/product"
	"example.org/panecal/store/record"
)

// A unit whose label cannot be read says who it is, where product ties label and
// unit that way, whether it lies in a nest already or comes after the command.
func TestUnreadableTied(t *testing.T) {
	for _, seated := range []bool{true, false} {
		for _, tie := range []string{product.TieUnit, product.TieList} {
			s := usual()
			s.tie = tie
			if tie == product.TieList {
				s.pairs = map[string]string{"A1": "u1"}
			}
			w := worldOf(t, s, func(*station.Config) {})
			u := newUnit("u1", "A1")
			if seated {
				w.seat(0, u)
				w.pass(time.Second)
			}
			w.tell(station.NoNest, 0, station.Unreadable{})
			w.seat(0, u)
			w.attend(0)
			if a := w.attempts(); len(a) != 1 || a[0].Run.Serial != "A1" || a[0].Outcome != station.Passed {
				t.Errorf("seated %v, tie %s: %+v", seated, tie, w.story("A1"))
			}
			w.leave("unreadable")
		}
	}
}

// Where only a label would say it, the unit goes on hold under a name that the log
// has not had, which the hands are told.
func TestUnreadableStray(t *testing.T) {
	s := usual()
	s.tie = product.TieFirst
	w := newWorld(t, s)
	w.append(&record.Note{Serial: "X-cal-1-2", Text: "an older one"})
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	stray := func(id, name string) {
		t.Helper()
		w.seat(0, newUnit(id, ""))
		w.pass(time.Second)
		w.tell(station.NoNest, 0, station.Unreadable{})
		w.pass(time.Second)
		if got, want := w.story(name), "label_missing, to hold"; len(got) < len(want) || got[len(got)-len(want):] != want {
			t.Errorf("%s: %s", name, got)
		}
		h := w.machine.Snapshot().Hands
		if h.Code != station.HandsStray || h.Args.Label != name {
			t.Errorf("hands %+v, want %s", h, name)
		}
		delete(w.units, 0)
		w.pass(2 * time.Second)
	}
	stray("u1", "X-cal-1-1")
	stray("u2", "X-cal-1-3")
	// One that ran here before says by its identity which label was tied to it.
	u := newUnit("u7", "")
	w.calibrate(0, "A7", u)
	w.seat(0, u)
	w.pass(time.Second)
	w.tell(station.NoNest, 0, station.Unreadable{})
	w.pass(time.Second)
	if h := w.machine.Snapshot().Hands; h.Code != station.HandsConfirm || h.Args.Label != "A7" || w.machine.Snapshot().Counters.OpenHolds != 2 {
		t.Errorf("a unit that has passed as A7: %+v, %s", h, w.story("A7"))
	}
	delete(w.units, 0)
	w.pass(2 * time.Second)
	w = w.restart(s)
	w.pass(time.Second)
	stray("u3", "X-cal-1-4")
	if n := len(w.machine.Snapshot().Holds); n != 3 {
		t.Errorf("%d on hold", n)
	}
	w.leave("strays")
}

// A unit with a new label runs under it; the old one is refused from then on, in
// whatever unit's hand, and so is the new one in another's.
func TestRelabelled(t *testing.T) {
	s := usual()
	s.tie = product.TieFirst
	w := newWorld(t, s)
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	u := newUnit("u1", "")
	w.values["leakage.max"] = 0.3
	w.calibrate(0, "A1", u)
	delete(w.values, "leakage.max")
	w.append(&record.Relabelled{Serial: "A1", To: "A8", UnitID: "u1", By: "lead"})
	w.append(&record.Relabelled{Serial: "A8", To: "A9", UnitID: "u1", By: "lead"})
	w.calibrate(0, "A9", u)
	if a := w.attempts(); len(a) != 2 || a[1].Run.Serial != "A9" || a[1].Outcome != station.Passed {
		t.Errorf("%s", w.story("A9"))
	}
	w.calibrate(0, "A1", newUnit("u7", ""))
	w.calibrate(0, "A8", u)
	w.calibrate(0, "A9", newUnit("u7", ""))
	if got, want := w.story("A9"), "passed release, relabelled, relabelled, to hold, error hold"; got != want && got != "passed release, relabelled, relabelled, error hold, to hold" {
		t.Errorf("%s, want %s", got, want)
	}
	w.leave("relabelled")
}

// A swapped label names both units and where the other one lies.
func TestSwappedSaysWhere(t *testing.T) {
	s := usual()
	s.nests = 2
	w := worldOf(t, s, func(c *station.Config) { c.BoxSize = 9 })
	w.tell(station.NoNest, 0, station.OpenBox{Number: "B-1"})
	w.tell(0, 0, station.Scanned{Text: "A1"})
	w.seat(0, newUnit("u1", "A1"))
	w.attend(0) // and stays in its nest
	w.tell(1, 0, station.Scanned{Text: "A2"})
	w.seat(1, newUnit("u9", "A1")) // says that it is A1 too
	w.attend(1)
	v := w.shown[len(w.shown)-1]
	if want := "label A1, now in nest-1"; v.Code != station.FailedLabel || v.Other != want {
		t.Errorf("%s: %q, want %q", v.Code, v.Other, want)
	}
	w.clearNest(0, newUnit("", ""))
	w.clearNest(1, newUnit("", ""))
	w.calibrate(0, "A3", newUnit("u3", "A1"))
	if v := w.shown[len(w.shown)-1]; v.Other != "label A1, now in box B-1" {
		t.Errorf("%q", v.Other)
	}
	w.leave("swapped")
}
