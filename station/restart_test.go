package station_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// shown is what a person could read off the screen and count on.
func shown(s station.Snapshot) string {
	c := s.Counters
	return fmt.Sprintf("%d units, %d passed, %d failed, %d held, first %d of %d, order %d of %d, %d on hold, bins %v", c.Units, c.Passed, c.Failed, c.Held,
		c.FirstPassed, c.First, c.OrderGood, c.OrderOf, c.OpenHolds, c.Bins)
}

// TestRestartAtEachStep: wherever in a shift the program is cut off, the next
// start shows what was shown before, and names the unit whose attempt was cut
// off, and no other.
func TestRestartAtEachStep(t *testing.T) {
	s := usual()
	crew := station.Crew{Operator: "p1", WorkOrder: "WO-7", Quantity: 300, Anew: true}
	w := newWorld(t, s)
	w.append(&record.SignOn{Person: "p1", Role: "operator", Method: "badge"})
	w.tell(station.NoNest, 0, station.Started{})
	w.tell(station.NoNest, 0, crew)
	w.pass(time.Second)
	before := map[int]string{} // by records in the log, what was shown then
	note := func() { before[len(w.log)] = shown(w.machine.Snapshot()) }
	note()
	for i, q := range []quantity.Name{"", quantity.LeakageMax, "", quantity.LeakageMax} {
		clear(w.values)
		if q != "" {
			w.values[q] = 40
		}
		w.through([]string{"A1", "A2", "A3", "A2"}[i])
		note()
	}
	intents := 0
	for k := range w.log {
		prefix := w.log[:k+1]
		s.recent = slices.Clone(prefix)
		again := newWorld(t, s)
		again.now = w.now.Add(time.Minute)
		again.tell(station.NoNest, 0, station.Started{})
		resumed := crew
		resumed.Anew = false
		again.tell(station.NoNest, 0, resumed)
		snap := again.machine.Snapshot()
		if want, ok := before[k+1]; ok && shown(snap) != want {
			t.Errorf("after record %d:\n%s\nbefore it was\n%s", k+1, shown(snap), want)
		}
		cut := ""
		for _, e := range prefix {
			switch b := e.Body.(type) {
			case *record.AttemptIntent:
				cut = b.Run.Label
			case *record.Attempt:
				cut = ""
			}
		}
		told := ""
		for _, m := range snap.Standing {
			if m.Code == station.NoticeCutLit {
				told += m.Args.Label
			}
		}
		if told != cut {
			t.Errorf("after record %d: told of %q, cut off is %q", k+1, told, cut)
		}
		if cut != "" {
			intents++
			again.units, again.values = w.units, w.values
			again.log = slices.Clone(prefix)
			clear(again.values)
			again.pass(time.Second)
			again.through(cut)
			if st := again.machine.Snapshot().Standing; len(st) != 0 {
				t.Errorf("after record %d: %s has run, and %+v stands", k+1, cut, st)
			}
		}
	}
	if len(before) < 5 || intents < 4 {
		t.Errorf("%d states compared, %d attempts cut off", len(before), intents)
	}
}

// TestCutOffOnTheWayOut: an attempt that the way out ended says whether the
// emitter was confirmed off.
func TestCutOffOnTheWayOut(t *testing.T) {
	for lit, want := range map[bool]station.Code{true: station.NoticeCutLit, false: station.NoticeCutDark} {
		a := &record.Attempt{Outcome: record.Aborted, Intent: &record.Ref{Sequence: 1}, Run: record.Run{Purpose: record.Production, Serial: "A1", Label: "A1", Nest: "A"}}
		if lit {
			a.Problems = []record.Problem{{Code: string(station.BrokenEmitter)}}
		}
		s := usual()
		s.recent = []record.Entry{{Body: a}}
		w := newWorld(t, s)
		w.tell(station.NoNest, 0, station.Started{})
		if st := w.machine.Snapshot().Standing; len(st) != 1 || st[0].Code != want || st[0].Args.Nest != "A" {
			t.Errorf("lit %v: %+v", lit, st)
		}
	}
}
