package station_test

import (
	"fmt"
	"maps"
	"os"
	"slices"
	"testing"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/store/record"
	"example.org/panecal/testdata/figures"
)

var troubles = []station.Trouble{station.Silent, station.Reset, station.Denied, station.Short, station.Broke}

// leave closes the station and holds what must be true at every end.
func (w *world) leave(what string) {
	w.t.Helper()
	if s := w.machine.Snapshot(); !s.Closing {
		w.tell(station.NoNest, 0, station.Shutdown{Why: "test"})
	}
	w.pass(time.Second)
	if !w.machine.Snapshot().Closed {
		w.t.Errorf("%s: not closed: %v", what, w.machine.Snapshot().Nests)
	}
	warned := slices.ContainsFunc(w.said, func(m station.Message) bool { return m.Code == station.BrokenEmitter })
	for _, u := range w.units {
		if u.emits && !warned {
			w.t.Errorf("%s: unit %s emits, and nobody was told", what, u.id.UnitID)
		}
	}
	for _, e := range w.log {
		if a, ok := e.Body.(*record.Attempt); ok && a.Outcome == station.Passed && a.Constants != nil {
			if string(a.Constants.Written) != string(a.Constants.ReadBack) {
				w.t.Errorf("%s: passed with constants that were not read back", what)
			}
		}
	}
}

// TestEachEffectFails fails every awaited effect of every scenario in turn,
// in every way, once and from then on. That no verdict goes without its
// record, and no unit is released with other constants, is checked at every
// verdict.
func TestEachEffectFails(t *testing.T) {
	failed, kinds := 0, map[string]bool{}
	// The first of each kind in each scenario; all of them on demand.
	most := 1
	if os.Getenv("PANECAL_FULL") != "" {
		most = 1 << 30
	}
	for _, s := range scenarios() {
		total, tried, seen := 0, []int{}, map[string]int{}
		s.begin(t, func(w *world) {
			w.fail = func(e station.Effect) *station.Failure {
				if seen[jobName(e.Job)]++; seen[jobName(e.Job)] <= most {
					tried = append(tried, total)
				}
				total++
				return nil
			}
		})
		for _, i := range tried {
			for _, trouble := range troubles {
				for _, always := range []bool{false, true} {
					if always && most == 1 && trouble != station.Silent && trouble != station.Broke {
						continue
					}
					n, job := 0, ""
					var f station.Failure
					w := s.begin(t, func(w *world) {
						w.fail = func(e station.Effect) *station.Failure {
							if n++; n <= i || n > i+1 && !(always && jobName(e.Job) == job) {
								return nil
							}
							job = jobName(e.Job)
							f = station.Failure{Trouble: trouble, Why: trouble.String()}
							return &f
						}
					})
					failed++
					kinds[job] = true
					w.leave(fmt.Sprintf("%s, %s (effect %d) %v, for ever %v", s.name, job, i, trouble, always))
				}
			}
		}
	}
	t.Logf("%d awaited effects of %d kinds failed: %v", failed, len(kinds), slices.Sorted(maps.Keys(kinds)))
	figures.Tell(t, "everywhere.effects", failed, "effects", ">0", failed > 0)
	figures.Kept(t, "everywhere.effects")
	if want := 27; len(kinds) != want {
		t.Errorf("%d kinds of effects failed, the table of states has %d", len(kinds), want)
	}
}
