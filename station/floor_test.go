package station_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/product"
)

// floor is a shift in virtual time: a station whose jobs take as long as they do
// on a line, and one operator who does what the snapshot tells the hands, and
// nothing else: no key, only scans, units in and out, and the target.
type floor struct {
	*world
	gait gait
	rand *rand.Rand

	takes    timing
	due      []job // answers under way
	tickAt   time.Time
	units    []*part // still to be run
	at       map[int]*part
	inHand   *part // its label was scanned
	busy     time.Time
	began    time.Time     // the hands' work
	then     func()        // what the hands do when their time is over
	idle     time.Duration // of the hands
	nestIdle map[int]time.Duration
	silence  map[int]time.Duration // of requests to a nest, since its last unit came
	slips    map[string]int
	scans    int

	unanswered time.Duration // between one unit and the next, over all nests
}

// job is an answer under way. Whoever was there when it was asked answers, if
// nothing took its place.
type job struct {
	at     time.Time
	effect station.Effect
	of     *part // nil: nobody
}

// part is one unit with its label, and what goes wrong with it.
type part struct {
	*unit
	label string
	slip  string
	bad   bool
}

func newFloor(t *testing.T, s settings, x timing, p gait, units int, seed uint64) *floor {
	t.Helper()
	t.Logf("seed %d", seed)
	f := &floor{world: newWorld(t, s), takes: x, gait: p, rand: rand.New(rand.NewPCG(seed, 1)), at: map[int]*part{},
		nestIdle: map[int]time.Duration{}, silence: map[int]time.Duration{}, slips: map[string]int{}}
	slips := []string{"scanned twice", "label torn", "seated before the scan", "target left in", "taken out too soon"}
	for i := range units {
		l := fmt.Sprintf("A%d", i+1)
		x := &part{unit: newUnit("u"+l, l), label: l, bad: f.rand.Float64() < 0.05 && p.slips > 0}
		if f.rand.Float64() < p.slips {
			x.slip = slips[f.rand.IntN(len(slips))]
		}
		f.units = append(f.units, x)
	}
	f.tickAt = f.now.Add(time.Second)
	f.busy = f.now
	f.told = func() {
		for _, e := range f.pending {
			takes, of := f.takes.of(e.Job), f.at[e.Nest]
			switch e.Job.(type) {
			case station.Identify:
				if of == nil {
					takes = f.takes.silent
				}
			case station.ReadBlock:
				if f.step(e.Nest) == station.ReadingBack {
					takes = f.takes.back
				}
			case station.Report: // the unit that the silence before it ended with is there
				f.unanswered, f.silence[e.Nest] = f.unanswered+f.silence[e.Nest], 0
			}
			f.due = append(f.due, job{f.now.Add(takes), e, of})
		}
		f.pending = nil
	}
	return f
}

// hand is how long the hands take for something of that mean.
func (f *floor) hand(mean time.Duration) time.Duration {
	return time.Duration(float64(mean) * (1 + f.gait.spread*(2*f.rand.Float64()-1)))
}

// run plays until every unit has been out of its nest, and returns when the
// last one was taken.
func (f *floor) run() (end time.Time) {
	f.t.Helper()
	f.tell(station.NoNest, 0, station.Started{})
	f.do(time.Second, func() { f.began = f.now }) // the hands come when the nests are known to be empty
	for range 10_000_000 {
		f.act()
		if len(f.units) == 0 && f.inHand == nil && len(f.at) == 0 && f.then == nil {
			return f.now
		}
		f.next()
	}
	f.t.Fatal("the shift never ends")
	return
}

// first finds the earliest of a list, -1 where it is empty.
func first[T any](list []T, when func(T) time.Time) (best int, at time.Time) {
	best = -1
	for i, x := range list {
		if best < 0 || when(x).Before(at) {
			best, at = i, when(x)
		}
	}
	return best, at
}

// next lets time go to the next thing that happens, and lets it happen.
func (f *floor) next() {
	answer, answerAt := first(f.due, func(j job) time.Time { return j.at })
	rings, ringsAt := first(f.timers, func(x timer) time.Time { return x.at })
	at, what := f.tickAt, "tick"
	if answer >= 0 && answerAt.Before(at) {
		at, what = answerAt, "answer"
	}
	if rings >= 0 && ringsAt.Before(at) {
		at, what = ringsAt, "timer"
	}
	if f.then != nil && f.busy.Before(at) {
		at, what = f.busy, "hands"
	}
	if spent := at.Sub(f.now); spent > 0 {
		if f.then == nil {
			f.idle += spent
		}
		for i, n := range f.machine.Snapshot().Nests {
			switch n.Step {
			case station.Vacant, station.Unlabelled, station.Expected, station.Showing, station.Turned, station.Targeting, station.Clearing:
				f.nestIdle[i] += spent
			}
		}
		f.now = at
	}
	switch what {
	case "tick":
		f.tickAt = f.tickAt.Add(time.Second)
		f.tell(station.NoNest, 0, station.Tick{})
	case "answer":
		j := f.due[answer]
		e := j.effect
		if _, asks := e.Job.(station.Identify); asks && j.of != nil && f.at[e.Nest] != j.of {
			f.due[answer] = job{j.at.Add(f.takes.silent - f.takes.greet), e, nil}
			return // taken out before it answered: silence, in its own time
		}
		if _, asks := e.Job.(station.Identify); asks && j.of == nil {
			f.silence[e.Nest] += f.takes.silent
		}
		f.due = slices.Delete(f.due, answer, answer+1)
		f.tell(e.Nest, e.Token, f.outcome(j))
	case "timer":
		e := f.timers[rings].effect
		f.timers = slices.Delete(f.timers, rings, rings+1)
		f.tell(e.Nest, e.Token, station.Expired{})
	case "hands":
		do := f.then
		f.then = nil
		do()
	}
}

// outcome is what came of a job: a target that was left in shows in the empty
// capture, a bad unit in its leakage.
func (f *floor) outcome(j job) station.Fact {
	e := j.effect
	f.world.units = map[int]*unit{}
	for i, p := range f.at {
		if i != e.Nest || p == j.of { // what was sent to an empty nest, nobody heard
			f.world.units[i] = p.unit
		}
	}
	clear(f.values)
	if p := f.at[e.Nest]; p != nil && p.bad {
		f.values[quantity.LeakageMax] = 0.3
	}
	fact := f.answer(e)
	if got, ok := fact.(station.EmptyEstimated); ok && got.Leakage != nil && f.at[e.Nest] != nil && f.at[e.Nest].target {
		got.Leakage.Faults = append(got.Leakage.Faults, estimate.Fault{Code: estimate.FaultStray, Capture: "empty"})
	}
	return fact
}

// do keeps the hands busy for a while, and then does it.
func (f *floor) do(takes time.Duration, what func()) {
	f.busy, f.then = f.now.Add(takes), what
}

func (f *floor) scan(text string) {
	f.scans++
	f.tell(station.NoNest, 0, station.Scanned{Text: text})
}

// act begins what the hands are told, if they are free; where that is done
// already and the station has not seen it yet, what another nest's place on
// the screen asks for.
func (f *floor) act() {
	if f.then != nil || f.meddle() {
		return
	}
	s := f.machine.Snapshot()
	if f.obey(s.Hands.Code, s.Hands.Nest, s.Hands.Args.Nest) {
		return
	}
	for i, n := range s.Nests {
		code := station.HandsWait
		switch n.Step {
		case station.Showing, station.Turned:
			code = station.HandsPassed
		case station.Targeting:
			code = station.HandsTarget
		case station.Clearing:
			code = station.HandsClear
		}
		if f.obey(code, i, n.Name) {
			return
		}
	}
	if s.Label == "" && slices.ContainsFunc(s.Nests, func(n station.NestView) bool { return n.Step == station.Vacant }) {
		f.scanNext()
	}
}

// obey begins what a code asks for, and is false where there is nothing to do.
func (f *floor) obey(code station.Code, nest int, names string) bool {
	p := f.at[nest]
	switch code {
	case station.HandsScan:
		return f.scanNext()
	case station.HandsSeat:
		return f.seat(names)
	case station.HandsTarget, station.HandsTargetIn:
		if p == nil || p.target {
			return false
		}
		f.do(f.hand(f.gait.target), func() { p.target = true })
	case station.HandsEmitter:
		f.do(f.hand(f.gait.out), func() { f.tell(nest, 0, station.Unpowered{}) })
	case station.HandsClear:
		if p == nil || !p.target {
			return false
		}
		f.do(f.hand(f.gait.target), func() { p.target = false })
	case station.HandsPassed, station.HandsFailed, station.HandsHeld, station.HandsTurned, station.HandsTakeOut:
		if p == nil {
			return false
		}
		back := code == station.HandsTakeOut || code == station.HandsTurned || f.step(nest) == station.Turned
		f.do(f.hand(f.gait.out), func() {
			delete(f.at, nest)
			p.target = false
			if back { // scan, put back
				f.units = append([]*part{p}, f.units...)
			}
		})
	default:
		return false
	}
	return true
}

// scanNext takes the next unit into the hand, or seats it unscanned by
// mistake.
func (f *floor) scanNext() bool {
	if len(f.units) == 0 || f.inHand != nil {
		return false
	}
	p := f.units[0]
	switch p.slip {
	case "seated before the scan":
		f.forget(p)
		f.do(f.hand(f.gait.seat), func() {
			for i := range f.machine.Snapshot().Nests {
				if f.at[i] == nil {
					f.at[i] = p
					f.units = f.units[1:]
					return
				}
			}
		})
		return true
	case "label torn":
		f.forget(p)
		f.do(f.hand(f.gait.scan), func() { f.scan("A?#") })
		return true
	}
	f.do(f.hand(f.gait.scan), func() {
		f.scan(p.label)
		if p.slip == "scanned twice" {
			f.forget(p)
			f.scan(p.label)
		}
		if f.machine.Snapshot().Label == p.label {
			f.inHand, f.units = p, f.units[1:]
		}
	})
	return true
}

func (f *floor) forget(p *part) {
	f.slips[p.slip]++
	p.slip = ""
}

// seat puts the unit in the hand into the first nest that is named.
func (f *floor) seat(names string) bool {
	p := f.inHand
	if p == nil {
		return false
	}
	f.do(f.hand(f.gait.seat), func() {
		f.inHand = nil
		for i, n := range f.machine.Snapshot().Nests {
			if strings.Contains(names, n.Name) && f.at[i] == nil {
				f.at[i] = p
				break
			}
		}
		if p.slip == "target left in" {
			f.forget(p)
			p.target = true
		}
	})
	return true
}

// meddle is what must not be done: a unit taken out while it is measured. It
// ends on hold, and comes back later.
func (f *floor) meddle() bool {
	for i, n := range f.machine.Snapshot().Nests {
		if p := f.at[i]; p != nil && p.slip == "taken out too soon" && n.Step == station.EmptyCapture {
			f.forget(p)
			f.do(f.hand(f.gait.out), func() {
				delete(f.at, i)
				p.target = false
				f.units = append(f.units, p)
			})
			return true
		}
	}
	return false
}

// TestShiftOf300Units: three nests, an operator whose hands take their time
// and err; no key is needed for any of it.
func TestShiftOf300Units(t *testing.T) {
	s := usual()
	s.nests, s.tie, s.unit = 3, product.TieUnit, true
	f := newFloor(t, s, longCaptures(), gait{scan: 2 * time.Second, seat: 4 * time.Second, target: 2 * time.Second, out: 3 * time.Second, spread: 0.5, slips: 0.15}, 300, 7)
	took := f.run().Sub(f.began)
	last := map[string]station.Verdict{}
	counts := map[station.Outcome]int{}
	for _, v := range f.shown {
		last[v.Serial] = v
		counts[v.Outcome]++
	}
	c := f.machine.Snapshot().Counters
	t.Logf("300 units in %v, %.0f an hour; %d verdicts %v, %d scans, slips %v", took.Round(time.Second), 300/took.Hours(), len(f.shown), counts, f.scans, f.slips)
	t.Logf("the hands were idle for %.0f %% of the time", 100*f.idle.Seconds()/took.Seconds())
	for i := range 3 {
		t.Logf("nest %d waited for the hands, empty or not, for %.0f %%", i+1, 100*f.nestIdle[i].Seconds()/took.Seconds())
	}
	if len(last) != 300 {
		t.Errorf("%d units have a verdict", len(last))
	}
	for serial, v := range last {
		if v.Outcome != station.Passed && v.Outcome != station.Failed {
			t.Errorf("%s ended %s (%s)", serial, v.Outcome, v.Code)
		}
	}
	if c.First == 0 || counts[station.Passed] < 250 || counts[station.Failed] == 0 {
		t.Errorf("counters %+v, outcomes %v", c, counts)
	}
	for _, slip := range []string{"scanned twice", "label torn", "seated before the scan", "target left in", "taken out too soon"} {
		if f.slips[slip] == 0 {
			t.Errorf("nobody %s", slip)
		}
	}
	for _, e := range f.events {
		switch e.Fact.(type) {
		case station.Go, station.Skip, station.LiftStop:
			t.Fatalf("a key was needed: %T", e.Fact)
		}
	}
}

// With hands that take no time, what is left is what the station itself takes.
// Where one nest at a time may emit, the light is never dark for long; where
// all may, each unit costs its captures and transfers. Nobody has told that a
// unit is gone, or that one has come, until requests have been silent for as
// long as units may take to answer: those are told apart.
func TestCycleWithoutHands(t *testing.T) {
	const units, nests, over = 300, 3, 0.02
	for _, c := range []struct {
		name  string
		group string
		takes timing
		bound func(timing) time.Duration // for each unit, of what may run at once
	}{
		{"one nest emits at a time", "one", onALine(), timing.light},
		{"all nests emit", "", onALine(), func(x timing) time.Duration { return x.unit() / nests }},
		{"one nest emits at a time, for long", "one", longCaptures(), timing.light},
		{"all nests emit for long", "", longCaptures(), func(x timing) time.Duration { return x.unit() / nests }},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := usual()
			s.nests, s.one, s.unit = nests, c.group, true
			f := newFloor(t, s, c.takes, gait{}, units, 11)
			took := f.run().Sub(f.began)
			bound := units * c.bound(c.takes)
			above := func(took time.Duration) float64 { return took.Seconds()/bound.Seconds() - 1 }
			all, own := above(took), above(took)
			if c.group == "" { // else the silence of one nest is hidden behind the light of another
				own = above(took - f.unanswered/nests)
			}
			t.Logf("%d units in %v, captures and transfers %v: %.1f %% more; without %v of unanswered requests a unit %.2f %%", units,
				took.Round(ms), bound, 100*all, (f.unanswered / units).Round(ms), 100*own)
			if own > over {
				t.Errorf("%.2f %% above, want under %.0f %%", 100*own, 100*over)
			}
			for _, v := range f.shown {
				if !v.Released() {
					t.Fatalf("%s: %+v", v.Serial, v)
				}
			}
			if len(f.shown) != units {
				t.Errorf("%d verdicts", len(f.shown))
			}
		})
	}
}
