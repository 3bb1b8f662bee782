package station_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/estimate"
	"example.org/panecal/testdata/figures"
)

// TestRandomDays lets three nests of two light groups meet people and faults
// at random. The seed is printed; the same seed gives the same day.
func TestRandomDays(t *testing.T) {
	days, first := 20, uint64(1)
	if os.Getenv("PANECAL_FULL") != "" {
		days = 2000
	}
	verdicts, released := 0, 0
	for seed := first; seed < first+uint64(days); seed++ {
		w := randomDay(t, seed)
		verdicts += len(w.shown)
		for _, v := range w.shown {
			if v.Released() {
				released++
			}
		}
		if t.Failed() {
			t.Fatalf("seed %d", seed)
		}
	}
	t.Logf("seeds %d to %d: %d verdicts, %d units released", first, first+uint64(days)-1, verdicts, released)
	figures.Tell(t, "everywhere.days", days, "days", fmt.Sprintf(">=%d", days), true)
	figures.Kept(t, "everywhere.days")
	if released < days {
		t.Errorf("%d units released in %d days: the days try nothing", released, days)
	}
}

func randomDay(t *testing.T, seed uint64) *world {
	rng := rand.New(rand.NewPCG(seed, 1))
	s := usual()
	s.nests, s.max = 3, 5
	s.reject = rng.IntN(2) == 0
	s.one = []string{"", "bench"}[rng.IntN(2)]
	share := []float64{0, 0.002, 0.02}[rng.IntN(3)]
	w := newWorld(t, s)
	emitting := map[int]bool{}
	w.fail = func(e station.Effect) *station.Failure {
		if rng.Float64() >= share {
			return nil
		}
		return &station.Failure{Trouble: troubles[rng.IntN(len(troubles))], Why: "drawn"}
	}
	w.awaited = func(e station.Effect) {
		if _, capture := e.Job.(station.Capture); !capture || s.one == "" {
			return
		}
		for n := range emitting {
			if n != e.Nest && w.capturing(n) {
				t.Errorf("nests %d and %d emit together", n, e.Nest)
			}
		}
		clear(emitting)
		emitting[e.Nest] = true
	}
	lot := []*unit{}
	for i := range 8 {
		lot = append(lot, newUnit(fmt.Sprintf("u%d", i), fmt.Sprintf("A%d", i)))
	}
	free := func() *unit {
		u := lot[rng.IntN(len(lot))]
		for _, in := range w.units {
			if in == u {
				return nil
			}
		}
		return u
	}
	w.tell(station.NoNest, 0, station.Started{})
	for range 400 {
		nest := rng.IntN(3)
		u := w.units[nest]
		switch step := w.step(nest); {
		case rng.IntN(60) == 0:
			w.tell(nest, 0, []station.Fact{station.Go{}, station.Skip{}, station.Crashed{Why: "drawn"}, station.Unpowered{}, station.TakeUp{Files: s.files(t)}}[rng.IntN(5)])
		case rng.IntN(60) == 0 && len(w.units) > 0: // taken out whenever
			delete(w.units, nest)
		case rng.IntN(20) == 0:
			w.faults[[]string{"empty", "target", "verify"}[rng.IntN(3)]] = []estimate.FaultCode{estimate.FaultFrames}
		case step == station.Vacant && u == nil && w.machine.Snapshot().Label == "":
			if next := free(); next != nil {
				label := next.id.Serial
				if rng.IntN(20) == 0 {
					label = fmt.Sprintf("A%d", rng.IntN(8)) // the wrong label
				}
				w.tell(station.NoNest, 0, station.Scanned{Text: label})
				if w.machine.Snapshot().Label != "" {
					next.target = rng.IntN(20) == 0
					w.seat(nest, next)
				}
			}
		case step == station.Targeting && u != nil:
			u.target = true
		case step == station.Clearing && u != nil:
			u.target = false
		case step == station.Confirming && rng.IntN(2) == 0:
			w.tell(nest, 0, station.Go{})
		case step == station.Rejecting:
			w.tell(station.NoNest, 0, station.Scanned{Text: w.view(nest).Label})
		case step == station.Showing || step == station.Turned || step == station.Unlabelled || step == station.Confirming:
			delete(w.units, nest)
			if u == nil {
				w.tell(nest, 0, station.Go{})
			}
		case step == station.Stopped:
			w.tell(nest, 0, station.LiftStop{By: "lead-1", Method: "badge"})
		}
		// Most events meet a machine that waits for answers.
		for range rng.IntN(4) {
			if len(w.pending) > 0 {
				i := rng.IntN(len(w.pending))
				e := w.pending[i]
				w.pending = slices.Delete(w.pending, i, i+1)
				w.tell(e.Nest, e.Token, w.answer(e))
			}
		}
		if rng.IntN(3) > 0 {
			w.pass(time.Duration(rng.IntN(400)) * time.Millisecond)
		}
	}
	w.leave(fmt.Sprintf("seed %d", seed))
	return w
}

// capturing reports whether a nest's capture is under way.
func (w *world) capturing(nest int) bool {
	return slices.ContainsFunc(w.pending, func(e station.Effect) bool {
		_, capture := e.Job.(station.Capture)
		return capture && e.Nest == nest
	})
}

// TestSameEventsSameEffects: a machine is nothing but its events.
func TestSameEventsSameEffects(t *testing.T) {
	for _, s := range scenarios() {
		run := func() (lines []string, m *station.Machine, events []station.Event) {
			w := s.begin(t, func(w *world) {
				w.effects = func(e station.Effect) { lines = append(lines, describe(e)) }
			})
			return lines, w.machine, w.events
		}
		first, _, events := run()
		m, err := station.New(s.settings().config(t))
		if err != nil {
			t.Fatal(err)
		}
		var again []string
		for _, e := range events {
			for _, effect := range m.Step(e) {
				again = append(again, describe(effect))
			}
		}
		if !slices.Equal(first, again) {
			t.Errorf("%s: the same events gave other effects", s.name)
		}
	}
}
