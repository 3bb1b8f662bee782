package station_test

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/station/estimate"
	"example.org/panecal/store/record"
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
	if want := 26; len(kinds) != want {
		t.Errorf("%d kinds of effects failed, the table of states has %d", len(kinds), want)
	}
}

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
			if n != e.Nest && w.live2(n) {
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
			w.tell(nest, 0, []station.Fact{station.Go{}, station.Skip{}, station.Crashed{Why: "drawn"}, station.TakeUp{Files: s.files(t)}}[rng.IntN(4)])
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

// live2 reports whether a nest's capture is under way.
func (w *world) live2(nest int) bool {
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

// TestBlockBearsWitness: what is written names the record that ordered it.
func TestBlockBearsWitness(t *testing.T) {
	w := scenarios()[0].begin(t, func(*world) {})
	a := w.attempts()[0]
	b, err := protocol.ParseBlock(a.Constants.Written)
	if err != nil {
		t.Fatal(err)
	}
	intent := w.log[a.WriteIntent.Sequence-1]
	body, err := b.Body()
	if err != nil {
		t.Fatal(err)
	}
	wi := intent.Body.(*record.WriteIntent)
	if b.Witness.Sequence != intent.Ref.Sequence || b.Witness.Station != "cal-1" || b.Witness.Intent != [16]byte(intent.Ref.Hash[:16]) {
		t.Errorf("witness %+v of record %v", b.Witness, intent.Ref)
	}
	if record.HashOf(body) != wi.BodyHash || b.Serial != "A1" || b.OffsetMillimetres(1) != 1.5 {
		t.Errorf("block %+v", b)
	}
}
