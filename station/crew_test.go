package station_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// worldOf is newWorld with more of its configuration.
func worldOf(t *testing.T, s settings, change func(*station.Config)) *world {
	t.Helper()
	c := s.config(t)
	change(&c)
	w := newWorld(t, s)
	m, err := station.New(c)
	if err != nil {
		t.Fatal(err)
	}
	w.machine = m
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	return w
}

// through runs a unit to its verdict and out of the nest.
func (w *world) through(label string) {
	w.t.Helper()
	w.calibrate(0, label, newUnit("u"+label, label))
}

// Who works, and on what, holds from one attempt to its result, whatever
// changes in between.
func TestCrew(t *testing.T) {
	w := worldOf(t, usual(), func(c *station.Config) { c.WorkOrder, c.Lot = "WO-1", "L-1" })
	w.through("A1")
	w.tell(0, 0, station.Scanned{Text: "A2"})
	w.seat(0, newUnit("u2", "A2"))
	for range 200 { // until the attempt is under way
		if w.step(0) == station.Targeting {
			break
		}
		if len(w.pending) == 0 {
			w.nextTimer()
			continue
		}
		e := w.pending[0]
		w.drop(e)
		w.tell(e.Nest, e.Token, w.answer(e))
	}
	w.tell(station.NoNest, 0, station.Crew{Operator: "op-2", WorkOrder: "WO-2", Lot: "L-2"})
	w.attend(0)
	delete(w.units, 0)
	w.pass(2 * time.Second)
	if c := w.machine.Snapshot().Counters; c.Units != 2 {
		t.Errorf("a change of order started the counters anew: %+v", c)
	}
	w.tell(station.NoNest, 0, station.Crew{Operator: "op-3", WorkOrder: "WO-2", Lot: "L-2", WindowLot: "W-1", GasketLot: "G-1", EmitterLot: "E-1", Anew: true})
	w.through("A3")
	on := func(r record.Run) string {
		return strings.Join(strings.Fields(strings.Join([]string{r.Operator, r.WorkOrder, r.Lot, r.WindowLot, r.GasketLot, r.EmitterLot}, " ")), " ")
	}
	var got []string
	for _, e := range w.log {
		switch b := e.Body.(type) {
		case *record.AttemptIntent:
			got = append(got, "intent "+on(b.Run))
		case *record.Attempt:
			got = append(got, "result "+on(b.Run))
		}
	}
	want := "intent op-1 WO-1 L-1, result op-1 WO-1 L-1, intent op-1 WO-1 L-1, result op-1 WO-1 L-1, intent op-3 WO-2 L-2 W-1 G-1 E-1, result op-3 WO-2 L-2 W-1 G-1 E-1"
	if s := strings.Join(got, ", "); s != want {
		t.Errorf("got  %s\nwant %s", s, want)
	}
	s := w.machine.Snapshot()
	if s.Counters.Units != 1 || s.Counters.First != 1 || s.Operator != "op-3" || s.Order != "WO-2" {
		t.Errorf("after the shift change: %+v", s)
	}
}

// Units that fail the same way in a row stop their nest; another failure or a
// unit that passes ends the row, and without a number nothing stops.
func TestSameFailureInARow(t *testing.T) {
	for _, c := range []struct {
		name  string
		limit int
		fails string // quantity out of limits for each unit, "-" for none
		stops bool
	}{
		{"three alike", 3, "leakage.max leakage.max leakage.max", true},
		{"a unit that passes between", 3, "leakage.max leakage.max - leakage.max leakage.max", false},
		{"another failure between", 3, "leakage.max leakage.max offset.mean leakage.max", false},
		{"two alike of two", 2, "- offset.mean offset.mean", true},
		{"never", 0, "leakage.max leakage.max leakage.max leakage.max", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := usual()
			s.endStop = true
			w := worldOf(t, s, func(x *station.Config) { x.SameInARow, x.InARow = c.limit, 99 })
			for i, q := range strings.Fields(c.fails) {
				clear(w.values)
				if q != "-" {
					w.values[quantity.Name(q)] = 40
				}
				if w.step(0) == station.Stopped {
					t.Fatalf("stopped before unit %d", i)
				}
				w.through(fmt.Sprintf("A%d", i+1))
			}
			if stopped := w.step(0) == station.Stopped; stopped != c.stops {
				t.Fatalf("stopped %v, want %v", stopped, c.stops)
			}
			if !c.stops {
				return
			}
			stop := w.machine.Snapshot().Stops[0]
			if stop.Code != station.StopSame || stop.Args.Detail != fmt.Sprint(c.limit) {
				t.Errorf("stop %+v", stop)
			}
			last := w.log[len(w.log)-1].Body.(*record.Stop)
			if last.Code != string(station.StopSame) || last.LiftBy != string(station.LiftLead) || last.Attempt == nil {
				t.Errorf("on record %+v", last)
			}
			w.tell(0, 0, station.LiftStop{By: "lead-1", Method: "badge"})
			w.run()
			w.pass(2 * time.Second)
			if w.step(0) != station.Vacant {
				t.Errorf("after the lift: %v", w.step(0))
			}
			w.through("B1") // the row begins anew
			if w.step(0) == station.Stopped {
				t.Error("one more failure stops it again at once")
			}
		})
	}
}

func TestTalliesAndHolds(t *testing.T) {
	w := worldOf(t, usual(), func(c *station.Config) { c.InARow = 99 })
	for i, q := range []quantity.Name{"leakage.max", "offset.mean", "leakage.max", "verify.error"} {
		clear(w.values)
		w.values[q] = 40
		w.through(fmt.Sprintf("A%d", i+1))
	}
	c := w.machine.Snapshot().Counters
	want := "[{10 dirty 2} {20 seat 1} {91 verify 1}]"
	if got := fmt.Sprint(c.Bins); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if c.OpenHolds != 1 || c.Held != 1 {
		t.Errorf("%d open holds, %d held", c.OpenHolds, c.Held)
	}
	// The next start finds the hold in the newest records.
	s := usual()
	s.recent = w.log
	again := worldOf(t, s, func(*station.Config) {})
	if c := again.machine.Snapshot().Counters; c.OpenHolds != 1 || c.Held != 0 {
		t.Errorf("after a restart: %d open holds, %d held", c.OpenHolds, c.Held)
	}
	clear(w.values)
	w.through("A4") // passes at its second attempt
	if c := w.machine.Snapshot().Counters; c.OpenHolds != 0 || c.Held != 1 {
		t.Errorf("after a good attempt: %d open holds, %d held", c.OpenHolds, c.Held)
	}
}

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
			case c.want != "" && (len(got) != 1 || got[0].Code != c.want || got[0].Args.Detail != c.at):
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

// A contradiction names the other unit in its sentence, also on the screen,
// which knows the verdict alone.
func TestContradictionNamesTheOther(t *testing.T) {
	w := worldOf(t, usual(), func(*station.Config) {})
	w.through("A1")
	w.tell(0, 0, station.Scanned{Text: "A1"})
	w.seat(0, newUnit("another", "A1"))
	w.attend(0)
	v := w.view(0).Verdict
	if v == nil || v.Code != station.FailedLabel || !strings.Contains(v.Other, "unit uA1") {
		t.Fatalf("verdict %+v", v)
	}
	said := v.Code.Say(station.Args{Label: "A1", Other: v.Other})
	if !strings.Contains(said, "the other: label A1, unit uA1") {
		t.Errorf("it says %q", said)
	}
}
