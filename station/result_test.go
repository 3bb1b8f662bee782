package station_test

import (
	"fmt"
	"testing"
	"time"

	"example.org/panecal/station"
)

// TestResultStaysInItsNest: where a unit goes is told until the next one comes
// into its nest, however short it was shown.
func TestResultStaysInItsNest(t *testing.T) {
	w := newWorld(t, usual())
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	w.calibrate(0, "A1", newUnit("u1", "A1"))
	w.pass(time.Second)
	last := w.view(0).Last
	if last == nil || last.Verdict.Args.Label != "A1" || last.Verdict.HardBin == 0 || last.Shown <= 0 || last.Shown > time.Second {
		t.Fatalf("the nest says %+v of the unit before", last)
	}
	w.tell(station.NoNest, 0, station.Scanned{Text: "B2"})
	w.seat(1, newUnit("u2", "B2")) // elsewhere
	w.pass(time.Second)
	if w.view(0).Last == nil {
		t.Error("a unit in another nest ended it")
	}
	w.seat(0, newUnit("u3", "C3")) // without a label
	w.pass(time.Second)
	if w.view(0).Last != nil {
		t.Error("the next unit is in the nest")
	}
}

// TestNewestResults: the newest ten are told, newest first, each once.
func TestNewestResults(t *testing.T) {
	w := newWorld(t, usual())
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	for i := range station.MaxRecent + 2 {
		label := fmt.Sprintf("A%d", i)
		w.calibrate(0, label, newUnit("u"+label, label))
		w.pass(time.Second)
	}
	recent := w.machine.Snapshot().Recent
	if len(recent) != station.MaxRecent || recent[0].Args.Label != "A11" || recent[9].Args.Label != "A2" {
		t.Errorf("%d results, %+v", len(recent), recent)
	}
}
