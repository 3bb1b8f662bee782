package station_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

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
			if stop.Code != station.StopSame || stop.Args.Detail != station.Count(c.limit) {
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
