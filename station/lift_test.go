package station_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// staffed is a world where people lift stops, going on from a log.
func staffed(t *testing.T, log []record.Entry, due time.Time) *world {
	t.Helper()
	s := usual()
	s.recent, s.due = log, due
	w := worldOf(t, s, func(c *station.Config) {
		c.Staffed, c.SameInARow, c.InARow, c.CheckUnits = true, 3, 99, []string{"C1"}
	})
	w.log = append(slices.Clone(log), w.log...)
	return w
}

func last[B record.Body](w *world) (b B) {
	for _, e := range w.log {
		if one, ok := e.Body.(B); ok {
			b = one
		}
	}
	return b
}

// TestStopOutlivesAStart: where people lift stops, a start does not; what the
// stop says is what it said before.
func TestStopOutlivesAStart(t *testing.T) {
	w := staffed(t, nil, time.Time{})
	w.values[quantity.LeakageMax] = 40
	for _, label := range []string{"A1", "A2", "A3"} {
		w.through(label)
	}
	before := w.machine.Snapshot().Stops
	if len(before) != 1 || before[0].Code != station.StopSame {
		t.Fatalf("stops %+v", before)
	}
	w = staffed(t, w.log, time.Time{})
	after := w.machine.Snapshot().Stops
	if len(after) != 1 || w.step(0) != station.Stopped || after[0].Code.Say(after[0].Args) != before[0].Code.Say(before[0].Args) {
		t.Fatalf("after a start: %v, %+v", w.step(0), after)
	}
	w.tell(0, 0, station.LiftStop{By: "p2", Method: "badge"})
	w.run()
	w.pass(2 * time.Second)
	if l := last[*record.StopLifted](w); w.step(0) != station.Vacant || l == nil || l.By != "p2" || l.Method != "badge" {
		t.Errorf("lifted: %v, %+v", w.step(0), l)
	}
	w = staffed(t, w.log, time.Time{})
	if w.step(0) != station.Vacant {
		t.Errorf("a stop that was lifted is back: %v", w.step(0))
	}
}

// TestCheckUnitAfterRepair: a nest that was mended takes no unit before a check
// unit has passed in it, over a start too.
func TestCheckUnitAfterRepair(t *testing.T) {
	w := staffed(t, nil, time.Time{})
	w.values[quantity.LeakageMax] = 40
	u := newUnit("uC1", "C1")
	check := func() {
		w.tell(0, 0, station.Scanned{Text: "C1"})
		w.seat(0, u)
		w.attend(0)
		delete(w.units, 0)
		w.pass(2 * time.Second)
		u.target = false
	}
	check()
	check()
	if w.step(0) != station.Stopped || w.machine.Snapshot().Stops[0].Code != station.StopCheck {
		t.Fatalf("%v", w.step(0))
	}
	clear(w.values)
	w.tell(0, 0, station.LiftStop{By: "p2", Method: "badge"})
	w.run()
	w.pass(2 * time.Second)
	w = staffed(t, w.log, time.Time{})
	if s := w.machine.Snapshot().Standing; len(s) != 1 || s[0].Code != station.NoticeCheckFirst {
		t.Errorf("standing %+v", s)
	}
	w.through("A1")
	if r := last[*record.Refusal](w); len(w.attempts()) != 2 || r == nil || r.Code != string(station.RefusedCheckFirst) {
		t.Fatalf("%d attempts, refused %+v", len(w.attempts()), r)
	}
	check()
	w.through("A2")
	if a := w.attempts(); len(a) != 4 || a[3].Outcome != station.Passed || len(w.machine.Snapshot().Standing) != 0 {
		t.Errorf("%d attempts, standing %+v", len(a), w.machine.Snapshot().Standing)
	}
}

// TestAllCheckUnitsAfterOneFailed: where check units did not pass, one that passes
// proves nothing yet; a start between them forgets none.
func TestAllCheckUnitsAfterOneFailed(t *testing.T) {
	for _, restart := range []bool{false, true} {
		two := func(log []record.Entry) *world {
			s := usual()
			s.recent = log
			w := worldOf(t, s, func(c *station.Config) { c.Staffed, c.InARow, c.CheckUnits = true, 99, []string{"C1", "C2"} })
			w.log = append(slices.Clone(log), w.log...)
			return w
		}
		w := two(nil)
		units := map[string]*unit{"C1": newUnit("uC1", "C1"), "C2": newUnit("uC2", "C2")}
		check := func(label string) { w.calibrate(0, label, units[label]) }
		waits := func(want int) {
			t.Helper()
			if got := len(w.machine.Snapshot().Standing); got != want {
				t.Errorf("restart %v: %d standing, want %d", restart, got, want)
			}
		}
		w.values[quantity.LeakageMax] = 40
		check("C1")
		check("C1")
		clear(w.values)
		w.tell(0, 0, station.LiftStop{By: "p2", Method: "badge"})
		w.run()
		w.pass(2 * time.Second)
		check("C2")
		if restart {
			w = two(w.log)
		}
		waits(1)
		check("C2")
		waits(1)
		check("C1")
		waits(0)
	}
}

// TestCertificateByANewSheet: no start and no badge ends a stop for a
// certificate; a new sheet does, taken up while the station runs or at its start.
func TestCertificateByANewSheet(t *testing.T) {
	over := newWorld(t, usual()).now.AddDate(0, 0, -1) // a date counts to the end of its day
	w := staffed(t, nil, over)
	w.through("A1")
	if w.step(0) != station.Stopped || w.machine.Snapshot().Stops[0].Code != station.StopDue {
		t.Fatalf("%v", w.step(0))
	}
	log := slices.Clone(w.log)
	w = staffed(t, log, over)
	if w.step(0) != station.Stopped {
		t.Fatalf("a start lifted it: %v", w.step(0))
	}
	s := usual()
	s.due = over.AddDate(1, 0, 0)
	w.tell(station.NoNest, 0, station.TakeUp{Files: s.files(t)})
	w.run()
	w.pass(2 * time.Second)
	if l := last[*record.StopLifted](w); w.step(0) != station.Vacant || l.Method != "file" || !strings.Contains(l.Why, "sheet") {
		t.Errorf("a new sheet: %v, %+v", w.step(0), l)
	}
	w.through("A1")
	if a := w.attempts(); len(a) != 1 || a[0].Outcome != station.Passed {
		t.Errorf("%d attempts", len(a))
	}
	w = staffed(t, log, s.due)
	if l := last[*record.StopLifted](w); w.step(0) != station.Vacant || l == nil || l.Method != "file" {
		t.Errorf("a start with a new sheet: %v, %+v", w.step(0), l)
	}
}

// TestThreeDifferentUnits: one dirty unit that is wiped and fails again is one
// unit.
func TestThreeDifferentUnits(t *testing.T) {
	w := staffed(t, nil, time.Time{})
	w.values[quantity.LeakageMax] = 40
	for _, label := range []string{"A1", "A1", "A1", "A2", "A2"} {
		w.through(label)
		if w.step(0) == station.Stopped {
			t.Fatalf("stopped after %s, two units", label)
		}
	}
	w.through("A3")
	if w.step(0) != station.Stopped {
		t.Errorf("three different units: %v", w.step(0))
	}
}

// TestFileEnds: from until on no unit begins by a file, while the station runs
// too.
func TestFileEnds(t *testing.T) {
	s := usual()
	w := worldOf(t, s, func(c *station.Config) {
		l := *c.Files.Limits
		l.Until = newWorld(t, s).now.Add(time.Hour)
		f, err := station.NewFiles(c.Files.Product, &l, c.Files.Sheet)
		if err != nil {
			t.Fatal(err)
		}
		c.Files = f
	})
	w.through("A1")
	w.now = w.now.Add(time.Hour)
	w.tell(station.NoNest, 0, station.Tick{})
	w.through("A2")
	if r := last[*record.Refusal](w); len(w.attempts()) != 1 || r == nil || r.Code != string(station.RefusedEnded) || !strings.Contains(r.Chain, "held until") {
		t.Errorf("%d attempts, refused %+v", len(w.attempts()), r)
	}
}
