package station_test

import (
	"fmt"
	"testing"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

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

// TestRefusedFilesAreSaid: the operator is told, and the files in force stay.
func TestRefusedFilesAreSaid(t *testing.T) {
	w := newWorld(t, usual())
	w.tell(station.NoNest, 0, station.Started{})
	w.tell(station.NoNest, 0, station.TakeUp{Refused: `"limits.signed": nobody here knows the key`})
	last := w.said[len(w.said)-1]
	if last.Code != station.RefusedFiles || last.Args.Detail != station.Verbatim(`"limits.signed": nobody here knows the key`) {
		t.Errorf("said %+v", last)
	}
	u := newUnit("u1", "A1")
	w.pass(time.Second)
	w.tell(station.NoNest, 0, station.Scanned{Text: "A1"})
	w.seat(0, u)
	w.attend(0)
	if len(w.shown) != 1 || !w.shown[0].Released() {
		t.Errorf("shown %+v", w.shown)
	}
}

// TestRosterTakenUp: an attempt names the roster that held when it began.
func TestRosterTakenUp(t *testing.T) {
	w := newWorld(t, usual())
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	next := record.Revision{Name: "roster", Rev: "2", Signed: true}
	for i, label := range []string{"A1", "A2"} {
		w.tell(station.NoNest, 0, station.Scanned{Text: label})
		u := newUnit(fmt.Sprint("u", i), label)
		w.seat(0, u)
		w.pass(time.Second)
		w.tell(station.NoNest, 0, station.TakeUp{Roster: next})
		w.attend(0)
		delete(w.units, 0)
		w.pass(5 * time.Second)
	}
	var got []record.Revision
	for _, a := range w.attempts() {
		got = append(got, a.Run.Roster)
	}
	if len(got) != 2 || got[0] == next || got[1] != next {
		t.Errorf("rosters %+v", got)
	}
}
