package station_test

import (
	"bytes"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

func TestCheckUnitDue(t *testing.T) {
	check := usual()
	check.purpose = station.Check
	w := worldOf(t, check, func(c *station.Config) { c.CheckEvery = 8 * time.Hour })
	u := newUnit("u1", "A1")
	u.block = released(t)
	w.calibrate(0, "A1", u)
	if a := w.attempts(); len(a) != 1 || a[0].Outcome != station.Passed {
		t.Fatalf("the check unit did not pass: %+v", a)
	}
	if s := w.machine.Snapshot().Standing; len(s) != 0 {
		t.Errorf("a station of check units asks for one: %+v", s)
	}
	s := usual()
	s.recent = w.log
	for _, c := range []struct {
		name   string
		config func(*station.Config)
		after  time.Duration
		want   station.Code
		at     string
	}{
		{"fresh", func(c *station.Config) { c.CheckEvery = 8 * time.Hour }, 0, "", ""},
		{"not yet", func(c *station.Config) { c.CheckEvery = 8 * time.Hour }, 6 * time.Hour, "", ""},
		{"due", func(c *station.Config) { c.CheckEvery = 8 * time.Hour }, 7*time.Hour + 30*time.Minute, station.NoticeCheckDue, "14:00"},
		{"overdue", func(c *station.Config) { c.CheckEvery = 8 * time.Hour }, 9 * time.Hour, station.NoticeCheckOver, "14:00"},
		{"never checked", func(c *station.Config) { c.CheckEvery, c.Recent = 8*time.Hour, nil }, time.Minute, station.NoticeCheckOver, "06:00"},
		{"nobody asks", func(*station.Config) {}, 99 * time.Hour, "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := worldOf(t, s, c.config)
			w.now = w.now.Add(c.after)
			w.tell(station.NoNest, 0, station.Tick{})
			got := w.machine.Snapshot().Standing
			switch {
			case c.want == "" && len(got) > 0:
				t.Errorf("got %+v", got)
			case c.want != "" && (len(got) != 1 || got[0].Code != c.want || got[0].Args.Detail != station.Clock(c.at)):
				t.Errorf("got %+v, want %s at %s", got, c.want, c.at)
			}
		})
	}
}

// TestCheckUnitInAShift: among the units that are made, one runs as a check
// unit because its label says so: nothing is written or counted, the record
// says what it was for, and no check is due any more. One that does not pass
// twice stops its nest.
func TestCheckUnitInAShift(t *testing.T) {
	s := usual()
	s.reject = true
	w := worldOf(t, s, func(c *station.Config) { c.CheckEvery, c.CheckUnits = 8*time.Hour, []string{"C1"} })
	w.now = w.now.Add(time.Minute)
	w.tell(station.NoNest, 0, station.Tick{})
	if s := w.machine.Snapshot().Standing; len(s) != 1 || s[0].Code != station.NoticeCheckOver {
		t.Fatalf("at the start: %+v", s)
	}
	w.through("A1")
	u := newUnit("uC1", "C1")
	u.block = released(t)
	run := func(hands station.Code) *record.Attempt {
		t.Helper()
		before := bytes.Clone(u.block)
		w.tell(0, 0, station.Scanned{Text: "C1"})
		w.seat(0, u)
		w.attend(0)
		if h := w.machine.Snapshot().Hands; h.Code != hands || w.view(0).Purpose != station.Check {
			t.Errorf("hands %s, purpose %s, want %s", h.Code, w.view(0).Purpose, hands)
		}
		delete(w.units, 0)
		w.pass(2 * time.Second)
		u.target = false
		if !bytes.Equal(u.block, before) {
			t.Error("the check unit was written")
		}
		list := w.attempts()
		return list[len(list)-1]
	}
	a := run(station.HandsChecked)
	if a.Run.Purpose != station.Check || a.Outcome != station.Passed || a.WriteIntent != nil {
		t.Errorf("on record: %+v", a.Run)
	}
	snap := w.machine.Snapshot()
	if c := snap.Counters; c.Units != 1 || c.First != 1 || len(snap.Standing) != 0 {
		t.Errorf("counters %+v, standing %+v", c, snap.Standing)
	}
	w.values[quantity.LeakageMax] = 40
	if a := run(station.HandsCheckBad); a.Outcome != station.Failed {
		t.Errorf("a dirty check unit: %s", a.Outcome)
	}
	if w.step(0) != station.Vacant { // no reject box for a check unit
		t.Fatalf("after one that failed: %v", w.step(0))
	}
	run(station.HandsCheckBad)
	snap = w.machine.Snapshot()
	if c := snap.Counters; w.step(0) != station.Stopped || snap.Stops[0].Code != station.StopCheck || c.Units != 1 || len(c.Bins) != 0 || c.OpenHolds != 0 {
		t.Errorf("after two: %v, %+v, %+v", w.step(0), snap.Stops, c)
	}
	clear(w.values)
	w.tell(0, 0, station.LiftStop{By: "lead-1", Method: "badge"})
	w.run()
	w.through("A2")
	if a := w.attempts(); a[len(a)-1].Run.Purpose != station.Production || w.machine.Snapshot().Counters.Units != 2 {
		t.Error("the unit after it was not made")
	}
}
