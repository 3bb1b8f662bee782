package decision_test

import (
	"fmt"
	"testing"

	"example.org/panecal/station/decision"
	"example.org/panecal/store/record"
)

// TestHoldUnproven: two runs of check units in a row that do not pass put on hold
// what was made since the last good one, once, and what was released since by a
// decision stays so until check units fail again.
func TestHoldUnproven(t *testing.T) {
	l := &log{t: t, now: noon}
	hold := func(want int) {
		t.Helper()
		l.now = l.now.Add(1)
		done, refused, err := l.desk().HoldUnproven()
		if err != nil || refused != nil || done.Units != want || len(done.Changes) != want {
			t.Errorf("%+v, %v, %v; want %d", done, refused, err, want)
		}
		for _, c := range done.Changes {
			if c.By != "station" || !c.Firm || c.To != record.Hold || c.Decision == nil {
				t.Errorf("%+v", c)
			}
		}
	}
	check := func(o record.Outcome) { l.run("CHECK-1", record.CheckUnit, o, record.Release) }
	made := func(serial string) { l.run(serial, record.Production, record.Passed, record.Release) }
	made("A0")
	check(record.Passed)
	for i := range 3 {
		made(fmt.Sprint("B", i))
	}
	l.run("B3", record.Production, record.Failed, record.Rework)
	hold(0)
	check(record.Failed)
	hold(0) // it is wiped, and run again
	check(record.Failed)
	hold(4)
	hold(0)
	if l.at("A0") != record.Release || l.at("B0") != record.Hold || l.at("B3") != record.Hold || l.at("CHECK-1") != "" {
		t.Errorf("A0 %s, B0 %s, B3 %s, CHECK-1 %s", l.at("A0"), l.at("B0"), l.at("B3"), l.at("CHECK-1"))
	}
	if _, refused, err := l.do(one(decision.Unhold, "B0")); refused != nil || err != nil || l.at("B0") != record.Release {
		t.Fatal(refused, err, l.at("B0"))
	}
	hold(0)
	check(record.Error)
	hold(1)
	check(record.Passed) // the nest is good again; the holds stay
	hold(0)
	if l.at("B0") != record.Hold || l.at("B1") != record.Hold {
		t.Errorf("B0 %s, B1 %s", l.at("B0"), l.at("B1"))
	}
	made("C0")
	check(record.Failed)
	check(record.Passed)
	check(record.Failed)
	hold(0) // not in a row
}

// TestHoldUnprovenCutOff: where the log fails on the way, the next call holds the
// rest.
func TestHoldUnprovenCutOff(t *testing.T) {
	const units = 4
	for full := 1; full <= units+1; full++ {
		l := &log{t: t, now: noon}
		for i := range units {
			l.run(fmt.Sprint("B", i), record.Production, record.Passed, record.Release)
		}
		for range 2 {
			l.run("CHECK-1", record.CheckUnit, record.Failed, record.Hold)
		}
		l.full = full
		first, _, err := l.desk().HoldUnproven()
		if err == nil {
			t.Fatalf("record %d failed unnoticed", full)
		}
		second, _, err := l.desk().HoldUnproven()
		if err != nil || first.Units+second.Units != units {
			t.Errorf("record %d failed: %d, then %d of %d units, %v", full, first.Units, second.Units, units, err)
		}
	}
}
