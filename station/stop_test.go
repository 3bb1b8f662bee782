package station_test

import (
	"testing"

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
