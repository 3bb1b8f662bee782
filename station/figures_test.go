package station_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// Good units an hour count work alone: a pause is no time of work, idle time is
// work without output, and a unit that is made twice is one.
func TestPerHour(t *testing.T) {
	w := worldOf(t, usual(), func(*station.Config) {})
	w.tell(station.NoNest, 0, station.Crew{Operator: "op-1", Anew: true})
	began := w.now
	counters := func() station.Counters { return w.machine.Snapshot().Counters }
	if c := counters(); !math.IsNaN(c.PerHour) || !c.Since.Equal(began) {
		t.Errorf("at once: %+v", c)
	}
	for i := range 4 {
		w.calibrate(0, fmt.Sprintf("A%d", i+1), newUnit(fmt.Sprint("u", i+1), fmt.Sprintf("A%d", i+1)))
	}
	w.tick(began.Add(30 * time.Minute))
	if c := counters(); c.Good != 4 || math.Abs(c.PerHour-8) > 0.01 || math.Abs(c.ShiftPerHour-8) > 0.01 {
		t.Errorf("4 in half an hour: %+v", c)
	}
	w.tell(station.NoNest, 0, station.Rest{On: true})
	w.tick(began.Add(60 * time.Minute))
	if c := counters(); math.Abs(c.PerHour-8) > 0.01 || c.Work != 30*time.Minute || !c.PausedSince.Equal(began.Add(30*time.Minute)) {
		t.Errorf("half an hour of pause: %+v", c)
	}
	w.tell(station.NoNest, 0, station.Rest{On: false})
	w.tick(began.Add(120 * time.Minute))
	if c := counters(); c.PerHour != 0 || math.Abs(c.ShiftPerHour-4/1.5) > 0.01 {
		t.Errorf("an hour without a unit: %+v", c)
	}
	// Told twice, a pause begins once.
	for range 2 {
		w.tell(station.NoNest, 0, station.Rest{On: true})
	}
	w.tick(began.Add(150 * time.Minute))
	if c := counters(); c.Work != 90*time.Minute {
		t.Errorf("work %v", c.Work)
	}
	w.leave("per hour")
}

// tick lets time pass by the clock alone.
func (w *world) tick(to time.Time) {
	w.pass(to.Sub(w.now))
	w.tell(station.NoNest, 0, station.Tick{})
}

// The figures of nests, of the day, of holds and of stops are what they were after
// a restart.
func TestFiguresAfterARestart(t *testing.T) {
	s := usual()
	s.nests = 2
	at := time.UTC
	w := newWorld(t, s)
	w.append(&record.SignOn{Person: "op-1"})
	w.tell(station.NoNest, 0, station.Started{})
	w.tell(station.NoNest, 0, station.Crew{Operator: "op-1", Anew: true})
	w.pass(time.Second)
	w.calibrate(0, "A1", newUnit("u1", "A1"))
	w.values[quantity.LeakageMax] = 0.3
	w.calibrate(1, "A2", newUnit("u2", "A2"))
	delete(w.values, quantity.LeakageMax)
	w.append(&record.Pause{})
	w.tell(station.NoNest, 0, station.Rest{On: true})
	w.pass(time.Minute)
	said := func(c station.Counters) string { // a space between what is no text
		return fmt.Sprint(c.Since.In(at).Format("15:04"), c.Good, c.Units, c.Nests, c.Bins, c.Today, c.PausedSince.In(at).Format("15:04"))
	}
	before := said(w.machine.Snapshot().Counters)
	const want = "06:001 2 [{nest-1 1 1} {nest-2 1 0}] [{10 dirty "
	if len(before) < len(want) || before[:len(want)] != want {
		t.Errorf("%s, want %s…", before, want)
	}
	again := w.restart(s)
	if after := said(again.machine.Snapshot().Counters); after != before {
		t.Errorf("after: %s\nbefore: %s", after, before)
	}
	again.leave("restart")
}

// A day of the site has 23, 24 or 25 hours; today's bins go with it, and a date
// counts to its end.
func TestDaysOfTheSite(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for _, day := range []struct {
		date  string
		hours float64
	}{{"2027-03-28", 23}, {"2027-06-01", 24}, {"2027-10-31", 25}} {
		begin, err := time.ParseInLocation(time.DateOnly, day.date, berlin)
		if err != nil {
			t.Fatal(err)
		}
		s := usual()
		s.due, _ = time.Parse(time.DateOnly, day.date)
		c := s.config(t)
		c.Site = berlin
		m, err := station.New(c)
		if err != nil {
			t.Fatal(err)
		}
		w := newWorld(t, s)
		w.machine, w.now = m, begin.UTC().Add(time.Minute)
		w.tell(station.NoNest, 0, station.Started{})
		w.pass(time.Second)
		w.calibrate(0, "A1", newUnit("u1", "A1"))
		if got := w.machine.Snapshot().Counters.Today; len(got) != 1 || got[0].Units != 1 {
			t.Errorf("%s: today %v", day.date, got)
		}
		end := begin.Add(time.Duration(day.hours * float64(time.Hour)))
		w.now = end.Add(-time.Second).UTC() // nobody looks at an empty nest for a day
		w.tell(station.NoNest, 0, station.Tick{})
		w.calibrate(0, "A2", newUnit("u2", "A2")) // begins a second before the end
		if w.step(0) == station.Stopped || len(w.machine.Snapshot().Counters.Today) > 1 {
			t.Errorf("%s: %v a second before its end", day.date, w.step(0))
		}
		w.tick(end.Add(time.Minute).UTC())
		w.calibrate(0, "A3", newUnit("u3", "A3"))
		if w.step(0) != station.Stopped || w.machine.Snapshot().Stops[0].Code != station.StopDue {
			t.Errorf("%s: %v after its end", day.date, w.step(0))
		}
	}
}

// The end of a certificate is spoken of 30, 7 and 1 days before; from 7 days on it
// stays on the screen.
func TestDatesAreWarnedOf(t *testing.T) {
	s := usual()
	s.due = time.Date(2027, 4, 30, 0, 0, 0, 0, time.UTC)
	w := worldOf(t, s, func(c *station.Config) { c.Site = time.UTC })
	told := map[string]int{}
	w.effects = func(e station.Effect) {
		if a, ok := e.Job.(station.Announce); ok && a.Message.Code == station.NoticeDueSoon {
			told[a.Message.Args.Other.String()]++
		}
	}
	standing := map[string]bool{}
	for day := w.now; day.Before(s.due.Add(23 * time.Hour)); day = day.Add(6 * time.Hour) {
		w.now = day
		w.tell(station.NoNest, 0, station.Tick{})
		for _, m := range w.machine.Snapshot().Standing {
			if m.Code == station.NoticeDueSoon {
				standing[m.Args.Other.String()] = true
			}
		}
	}
	if fmt.Sprint(told) != "map[1:1 30:1 7:1]" || len(standing) != 8 {
		t.Errorf("told %v, standing %v", told, standing)
	}
}

// The next box is asked for when one is full; each unit has its box on record, also
// one whose verdict came while none was open, and one that goes on hold later names
// it.
func TestBoxes(t *testing.T) {
	s := usual()
	s.nests = 2
	w := worldOf(t, s, func(c *station.Config) { c.BoxSize = 1 })
	hands := func() station.Code { return w.machine.Snapshot().Hands.Code }
	if hands() != station.HandsBoxOpen {
		t.Fatal(hands())
	}
	w.tell(station.NoNest, 0, station.Scanned{Text: "A1"})
	if w.machine.Snapshot().Label != "" {
		t.Error("a label was opened without a box")
	}
	w.tell(station.NoNest, 0, station.OpenBox{Number: "B-1"})
	one, two := newUnit("u1", "A1"), newUnit("u2", "A2")
	w.tell(0, 0, station.Scanned{Text: "A1"})
	w.seat(0, one)
	w.tell(1, 0, station.Scanned{Text: "A2"})
	w.seat(1, two)
	w.attend(0)
	w.attend(1)
	snap := w.machine.Snapshot()
	if snap.Box != (station.Box{Number: "B-1", Good: 1, Size: 1}) || len(snap.Unboxed) != 1 {
		t.Fatalf("box %+v, unboxed %+v", snap.Box, snap.Unboxed)
	}
	boxes := map[string]string{}
	for _, a := range w.attempts() {
		boxes[a.Run.Serial] = a.Box
	}
	late := snap.Unboxed[0].Serial
	for serial, box := range boxes {
		if (box == "") != (serial == late) {
			t.Errorf("boxes on record %v, unboxed %s", boxes, late)
		}
	}
	w.clearNest(0, one)
	if hands() != station.HandsBoxFull { // before the unit that has none is taken out
		t.Error(hands())
	}
	w.tell(station.NoNest, 0, station.OpenBox{Number: "B-2", Takes: []string{late}})
	if snap := w.machine.Snapshot(); snap.Box.Number != "B-2" || snap.Box.Good != 1 || len(snap.Unboxed) != 0 {
		t.Errorf("%+v", snap.Box)
	}
	w.clearNest(1, two)
	// The unit in box B-1 turns out to carry another's label.
	held := "A1"
	if late == "A1" {
		held = "A2"
	}
	w.tell(station.NoNest, 0, station.OpenBox{Number: "B-3"})
	other := newUnit("u9", held)
	w.calibrate(0, held, other)
	found := false
	for _, u := range w.machine.Snapshot().Holds {
		found = found || u.Serial == held && u.Box == "B-1"
	}
	if !found {
		t.Errorf("on hold %+v", w.machine.Snapshot().Holds)
	}
	w.leave("boxes")
}

// clearNest takes a unit out of its nest.
func (w *world) clearNest(nest int, u *unit) {
	u.target = false
	delete(w.units, nest)
	w.pass(2 * time.Second)
}

// A good unit's label is scanned at its box, on record, before its nest goes on.
func TestBoxScan(t *testing.T) {
	w := worldOf(t, usual(), func(c *station.Config) { c.BoxSize, c.BoxScan = 2, true })
	w.tell(station.NoNest, 0, station.OpenBox{Number: "B-1"})
	u := newUnit("u1", "A1")
	w.calibrate(0, "A1", u)
	if got := w.machine.Snapshot().Hands; got.Code != station.HandsBoxScan || got.Args.Detail != station.Arg(station.Verbatim("B-1")) {
		t.Fatalf("%+v", got)
	}
	w.tell(station.NoNest, 0, station.Scanned{Text: "A7"})
	if w.step(0) != station.Rejecting {
		t.Error("another unit's label was taken")
	}
	w.tell(station.NoNest, 0, station.Scanned{Text: "A1"})
	w.pass(time.Second)
	last := w.log[len(w.log)-1].Body
	if b, ok := last.(*record.Boxed); !ok || !b.Confirmed || b.Box != "B-1" || b.Serial != "A1" || w.step(0) != station.Vacant {
		t.Errorf("%+v, then %v", last, w.step(0))
	}
	w.leave("box scan")
}
