package station_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// TestTimeStoodStill lets the computer sleep in every moment of an attempt:
// the emitter is switched off before anything else, the attempt is on record
// as aborted, and nothing measured before goes into a unit afterwards.
func TestTimeStoodStill(t *testing.T) {
	events := 0
	scenarios()[0].begin(t, func(w *world) { w.told = func() { events++ } })
	aborted, met := 0, map[station.Step]bool{}
	for at := range events {
		var slept *world
		n, woke := 0, -1
		var step station.Step
		w := scenarios()[0].begin(t, func(w *world) {
			slept = w
			w.told = func() {
				if n++; n-1 != at {
					return
				}
				step = w.step(0)
				woke = len(w.log)
				w.now = w.now.Add(10 * time.Minute)
				w.tell(station.NoNest, 0, station.Tick{})
			}
			w.effects = func(e station.Effect) {
				_, halt := e.Job.(station.Halt)
				if h, ok := e.Job.(station.Halt); halt && ok && h.Reopen {
					for _, a := range slept.log[max(0, min(woke, len(slept.log))):] {
						if _, result := a.Body.(*record.Attempt); result {
							t.Errorf("event %d: on record before the emitter was off", at)
						}
					}
				}
			}
		})
		w.leave(fmt.Sprintf("slept at event %d", at))
		for _, a := range w.attempts() {
			if slices.ContainsFunc(a.Problems, func(p record.Problem) bool { return p.Code == string(station.BrokenPaused) }) {
				aborted++
				met[step] = true
				if a.Outcome != station.Aborted {
					t.Errorf("slept in %v: %s", step, a.Outcome)
				}
				if step == station.WriteIntending && a.Constants != nil && len(a.Constants.Written) > 0 {
					t.Errorf("slept in %v, and written all the same", step)
				}
			}
		}
	}
	t.Logf("%d moments, %d attempts aborted, in steps %v", events, aborted, met)
	for _, s := range []station.Step{station.EmptyCapture, station.EmptyEstimate, station.Targeting, station.TargetCapture,
		station.TargetEstimate, station.WriteIntending, station.Writing, station.ReadingBack, station.VerifyCapture, station.VerifyEstimate} {
		if !met[s] {
			t.Errorf("a sleep in %v ends nothing", s)
		}
	}
}

// TestSlowIsNoSleep: a job may last as long as it likes while ticks come.
func TestSlowIsNoSleep(t *testing.T) {
	w := scenarios()[0].begin(t, func(w *world) {
		w.told = func() {
			told := w.told
			w.told = nil
			for range 5 {
				w.now = w.now.Add(2 * time.Second)
				w.tell(station.NoNest, 0, station.Tick{})
			}
			w.told = told
		}
	})
	if a := w.attempts(); len(a) != 1 || a[0].Outcome != station.Passed {
		t.Errorf("%d attempts, %+v", len(a), a)
	}
}

// TestClockPutBack: durations, order and the attempt do not depend on the
// clock on the wall; the step is on record.
func TestClockPutBack(t *testing.T) {
	var back time.Duration
	w := scenarios()[0].begin(t, func(w *world) {
		w.told = func() {
			if w.step(0) == station.TargetCapture && back == 0 {
				back = time.Hour
				w.now = w.now.Add(-back)
			}
		}
	})
	a := w.attempts()
	if len(a) != 1 || a[0].Outcome != station.Passed || len(w.shown) != 1 || !w.shown[0].Released() {
		t.Fatalf("%d attempts, shown %+v", len(a), w.shown)
	}
	if got := problems(a[0]); got != string(station.NoticeClock) {
		t.Errorf("on record: %q", got)
	}
	if !slices.ContainsFunc(w.said, func(m station.Message) bool { return m.Code == station.NoticeClock && m.Args.Detail == time.Hour }) {
		t.Errorf("said %+v", w.said)
	}
	if a[0].Finished.Before(a[0].Started) {
		t.Errorf("lasted from %v to %v", a[0].Started, a[0].Finished)
	}
	for _, s := range a[0].Stages {
		if s.TookUS < 0 {
			t.Errorf("stage %+v", s)
		}
	}
}

// TestClockYearAhead: a clock that leaps makes certificates run out, and the
// nest says so.
func TestClockYearAhead(t *testing.T) {
	s := usual()
	w := newWorld(t, s)
	s.due = w.now.AddDate(0, 6, 0)
	w = newWorld(t, s)
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	w.now = w.now.AddDate(1, 0, 0)
	w.calibrate(0, "A1", newUnit("u1", "A1"))
	if stops := w.machine.Snapshot().Stops; len(stops) != 1 || stops[0].Code != station.StopDue {
		t.Errorf("stops %+v", stops)
	}
	w.leave("a year ahead")
}
