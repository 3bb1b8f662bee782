package station_test

import (
	"testing"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// TestStoreFailsNothingShown: from whichever append on the log fails, no
// verdict is shown and no unit gets the mark.
func TestStoreFailsNothingShown(t *testing.T) {
	for _, kind := range []record.Kind{record.KindAttemptIntent, record.KindWriteIntent, record.KindAttempt} {
		w := scenarios()[0].begin(t, func(w *world) {
			w.fail = func(e station.Effect) *station.Failure {
				if a, ok := e.Job.(station.Append); ok && a.Body.Kind() == kind {
					return &station.Failure{Trouble: station.Broke, Why: "disk full"}
				}
				return nil
			}
		})
		if len(w.shown) != 0 || w.machine.Snapshot().Counters.Units != 0 {
			t.Errorf("%v fails: shown %+v", kind, w.shown)
		}
		stops := w.machine.Snapshot().Stops
		if len(stops) == 0 || stops[0].Code != station.StopStore {
			t.Errorf("%v fails: stops %+v", kind, stops)
		}
		w.leave(kind.String())
	}
}

// TestClockStopsAllNests: while the clock does not fit the log no label is taken;
// once it fits, units are made again. Damage of the log is said and stops nothing.
func TestClockStopsAllNests(t *testing.T) {
	w := worldOf(t, settings{purpose: station.Production, tie: "unit", nests: 2, max: 3}, func(*station.Config) {})
	w.tell(station.NoNest, 0, station.Remark{Clock: "2026-11-27T12:00:00Z", LogEnds: "2026-11-27T13:00:00Z"})
	s := w.machine.Snapshot()
	if len(s.Stops) != 1 || s.Stops[0].Code != station.StopClock || s.Stops[0].Nest != station.NoNest || s.Hands.Code != station.HandsStopped {
		t.Fatalf("%+v, %+v", s.Stops, s.Hands)
	}
	w.tell(station.NoNest, 0, station.Scanned{Text: "A1"})
	w.pass(time.Second)
	if n := len(w.attempts()); n != 0 || w.machine.Snapshot().Hands.Code != station.HandsStopped {
		t.Errorf("%d attempts though the clock is wrong", n)
	}
	w.tell(station.NoNest, 0, station.Remark{ClockFits: true})
	w.tell(station.NoNest, 0, station.Remark{Damage: "journal-00000001.seg: the check fails"})
	w.pass(time.Second)
	if s := w.machine.Snapshot(); len(s.Stops) != 0 || s.Messages[len(s.Messages)-1].Code != station.NoticeDamage {
		t.Errorf("%+v, %+v", s.Stops, s.Messages)
	}
	w.through("A1")
	if n := len(w.attempts()); n != 1 {
		t.Errorf("%d attempts", n)
	}
}
