package station_test

import (
	"fmt"
	"strings"
	"testing"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
)

func TestTalliesAndHolds(t *testing.T) {
	w := worldOf(t, usual(), func(c *station.Config) { c.InARow = 99 })
	for i, q := range []quantity.Name{"leakage.max", "offset.mean", "leakage.max", "verify.error"} {
		clear(w.values)
		w.values[q] = 40
		w.through(fmt.Sprintf("A%d", i+1))
	}
	c := w.machine.Snapshot().Counters
	want := "[{10 dirty 2} {20 seat 1} {91 verify 1}]"
	for i := range c.Bins {
		c.Bins[i].Text = limits.Text{}
	}
	if got := strings.ReplaceAll(fmt.Sprint(c.Bins), " {   }", ""); got != want {
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
