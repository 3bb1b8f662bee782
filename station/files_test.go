package station_test

import (
	"testing"
	"time"

	"example.org/panecal/station"
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
