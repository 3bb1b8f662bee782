package station_test

import (
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
)

func fixtureWorld(t *testing.T, change func(*settings)) (w *world, moves *[]string) {
	s := settings{purpose: station.Production, tie: "unit", nests: 1, max: 3, fixture: true, hands: 5 * time.Minute}
	if change != nil {
		change(&s)
	}
	w = worldOf(t, s, func(*station.Config) {})
	moves = new([]string)
	w.effects = func(e station.Effect) {
		if j, ok := e.Job.(station.Move); ok {
			*moves = append(*moves, string(j.To))
		}
	}
	return w, moves
}

var lidOpen = station.Failure{Trouble: station.Denied, Why: station.ErrGuarded.Error()}

// TestOpenLid: with an open lid nothing moves; closing it moves nothing by itself,
// no scan, tick or file does, and a hand's word has the lid read anew.
func TestOpenLid(t *testing.T) {
	w, moves := fixtureWorld(t, nil)
	w.fails["move"] = []station.Failure{lidOpen, lidOpen}
	w.tell(0, 0, station.Scanned{Text: "A1"})
	w.seat(0, newUnit("u1", "A1"))
	w.pass(time.Second)
	if w.step(0) != station.Guarded || len(*moves) != 1 {
		t.Fatalf("%v, moves %v", w.step(0), *moves)
	}
	if h := w.machine.Snapshot().Hands; h.Code != station.HandsLid {
		t.Errorf("the hands are told %v", h.Code)
	}
	for _, f := range []station.Fact{station.Scanned{Text: "A1"}, station.Scanned{Text: "A2"}, station.Crew{}, station.Tick{}, station.LiftStop{}, station.TakeUp{Files: settings{nests: 1, tie: "unit", fixture: true}.files(t)}, station.Unpowered{}, station.Rest{On: true}, station.Started{}} {
		w.tell(0, 0, f)
		w.pass(time.Second)
	}
	if w.step(0) != station.Guarded || len(*moves) != 1 {
		t.Fatalf("%v, moves %v", w.step(0), *moves)
	}
	w.tell(0, 0, station.Go{})
	w.run()
	if w.step(0) != station.Guarded || len(*moves) != 2 { // it was still open
		t.Fatalf("%v, moves %v", w.step(0), *moves)
	}
	w.tell(0, 0, station.Go{})
	w.attend(0)
	if a := w.attempts(); len(a) != 1 || a[0].Outcome != station.Passed || strings.Join(*moves, " ") != "out out out near" || a[0].Run.Target.Driver != "tcp" {
		t.Errorf("%d attempts, moves %v", len(a), *moves)
	}
}

// TestLidStaysOpen: a lid that stays open ends the attempt, a person too.
func TestLidStaysOpen(t *testing.T) {
	for name, c := range map[string]struct {
		do   func(*world)
		code station.Code
	}{
		"left": {func(w *world) {
			for range 301 {
				w.pass(time.Second)
			}
		}, station.BrokenLid},
		"skipped": {func(w *world) { w.tell(0, 0, station.Skip{}); w.pass(time.Second) }, station.BrokenSkipped},
		"closed":  {func(w *world) { w.tell(station.NoNest, 0, station.Shutdown{Why: "test"}); w.pass(time.Second) }, station.BrokenShutdown},
	} {
		w, moves := fixtureWorld(t, nil)
		w.fails["move"] = []station.Failure{lidOpen}
		w.tell(0, 0, station.Scanned{Text: "A1"})
		w.seat(0, newUnit("u1", "A1"))
		w.pass(time.Second)
		c.do(w)
		if a := w.attempts(); len(a) != 1 || !strings.Contains(problems(a[0]), string(c.code)) || len(*moves) != 1 {
			t.Errorf("%s: %d attempts, moves %v", name, len(a), *moves)
		}
	}
}

// TestLostFixture: a link that is lost ends the attempt and stops the nest with
// words; lifting the stop moves nothing, the next attempt begins with the field.
func TestLostFixture(t *testing.T) {
	w, moves := fixtureWorld(t, nil)
	w.fails["move"] = []station.Failure{{Trouble: station.Broke, Why: "the link is lost"}}
	w.tell(0, 0, station.Scanned{Text: "A1"})
	w.seat(0, newUnit("u1", "A1"))
	w.attend(0)
	delete(w.units, 0)
	w.pass(2 * time.Second)
	s := w.machine.Snapshot()
	if len(s.Stops) != 1 || s.Stops[0].Code != station.StopFixture || !strings.Contains(s.Stops[0].Code.Say(s.Stops[0].Args), "the link is lost") {
		t.Fatalf("%+v", s.Stops)
	}
	n := len(*moves)
	w.tell(0, 0, station.LiftStop{By: "p2", Method: "badge"})
	w.pass(10 * time.Second)
	if len(*moves) != n {
		t.Errorf("a motion by recovery: %v", *moves)
	}
	w.through("A2")
	if got := strings.Join((*moves)[n:], " "); got != "out near" {
		t.Errorf("moves %q", got)
	}
}

// TestSecondDistance: the unit is verified at both distances where the fixture has
// them, and its record names both.
func TestSecondDistance(t *testing.T) {
	w, moves := fixtureWorld(t, func(s *settings) { s.far = true })
	var at []float64
	w.awaited = func(e station.Effect) {
		if j, ok := e.Job.(station.EstimateVerify); ok {
			at = append(at, j.Reference.DistanceMM)
		}
	}
	w.through("A1")
	a := w.attempts()
	if len(a) != 1 || a[0].Outcome != station.Passed || strings.Join(*moves, " ") != "out near far" || len(at) != 2 || at[0] != 300 || at[1] != 600 {
		t.Fatalf("%d attempts, moves %v, verified at %v", len(a), *moves, at)
	}
	names := ""
	for _, c := range a[0].Captures {
		names += c.Name + ", "
	}
	if names != "empty, target, verify, verify far, " || a[0].Run.Target.FarMM != 600 {
		t.Errorf("captures %s, target %+v", names, a[0].Run.Target)
	}
	w.values[quantity.VerifyError] = 99 // it fails near: the target goes nowhere
	w.through("A2")
	if got := strings.Join((*moves)[3:], " "); got != "out near" {
		t.Errorf("moves %q", got)
	}
}

// TestWarmUp: a capture waits until the temperature has settled, no longer than the
// product says, and the record holds how it went.
func TestWarmUp(t *testing.T) {
	for name, c := range map[string]struct {
		perMinute float64
		settled   bool
		seconds   float64
	}{"cold and quick": {3, false, 45}, "settled": {0.3, true, 10}, "falling": {-0.4, true, 10}, "falling quickly": {-0.6, false, 45}} {
		w, _ := fixtureWorld(t, func(s *settings) { s.warm = true })
		u := newUnit("u1", "A1")
		began := w.now
		u.cel = func() float64 { return 20 + c.perMinute*w.now.Sub(began).Minutes() }
		w.tell(0, 0, station.Scanned{Text: "A1"})
		w.seat(0, u)
		for range 2 {
			w.attend(0)
		}
		a := w.attempts()
		if len(a) != 1 || a[0].WarmUp == nil {
			t.Fatalf("%s: %d attempts", name, len(a))
		}
		got := *a[0].WarmUp
		if got.Settled != c.settled || got.Seconds < c.seconds || got.Seconds > c.seconds+5 || got.CelPerMin < c.perMinute-0.02 || got.CelPerMin > c.perMinute+0.02 {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

// TestRestartByPower: the unit's power is taken away where product and fixture say so.
func TestRestartByPower(t *testing.T) {
	w, _ := fixtureWorld(t, func(s *settings) { s.restart, s.power = 1, true })
	by := ""
	w.awaited = func(e station.Effect) {
		if j, ok := e.Job.(station.Restart); ok && j.Power != nil {
			by = j.Power.Driver
		}
	}
	w.through("A1")
	if a := w.attempts(); len(a) != 1 || by != "tcp" || a[0].Constants.Restart != "restarted by its power" {
		t.Errorf("%d attempts, by %q", len(a), by)
	}
}
