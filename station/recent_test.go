package station_test

import (
	"slices"
	"testing"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

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

// TestUnseenPassIsHeldAgainstTheUnit: a pass that nobody saw is not shown
// again for a unit that has lost its constants since.
func TestUnseenPassIsHeldAgainstTheUnit(t *testing.T) {
	s := usual()
	w := newWorld(t, s)
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	u := newUnit("u1", "A1")
	w.calibrate(0, "A1", u)
	u.block = protocol.VoidBlock(nil) // at another station
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
