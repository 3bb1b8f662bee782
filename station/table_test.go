package station_test

import (
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"example.org/panecal/station"
)

// moment is a way to bring a machine into a step: play the scenario up to so
// many events.
type moment struct {
	scenario scenario
	events   int
}

// moments finds, for each step, when the first nest first is in it: with an
// answer awaited, and with a timer set.
func moments(t *testing.T) (awaiting, sleeping map[station.Step]moment, jobs map[string]bool) {
	awaiting, sleeping, jobs = map[station.Step]moment{}, map[station.Step]moment{}, map[string]bool{}
	for _, s := range scenarios() {
		s.begin(t, func(w *world) {
			w.awaited = func(e station.Effect) { jobs[jobName(e.Job)] = true }
			w.told = func() {
				at := moment{s, len(w.events)}
				into := sleeping
				if w.live(w.lastJob) {
					into = awaiting
				}
				if _, known := into[w.step(0)]; !known {
					into[w.step(0)] = at
				}
			}
		})
	}
	return awaiting, sleeping, jobs
}

// reach plays to a moment.
func (m moment) reach(t *testing.T) (reached *world) {
	m.scenario.begin(t, func(w *world) {
		reached = w
		w.told = func() {
			if len(w.events) == m.events {
				w.told = nil
				panic(enough)
			}
		}
	})
	reached.shown, reached.said, reached.ignored = nil, nil, nil
	return reached
}

// TestStates prints the complete table of states and events: every step with
// every event is handled, ignored or refused, with a reason.
func TestStates(t *testing.T) {
	awaiting, sleeping, jobs := moments(t)
	var text strings.Builder
	pairs := 0
	for _, step := range station.Steps() {
		fmt.Fprintf(&text, "%v\n", step)
		a, isAwaiting := awaiting[step]
		s, isSleeping := sleeping[step]
		if !isAwaiting && !isSleeping {
			t.Errorf("no scenario visits %q", step)
			continue
		}
		if !isAwaiting {
			a = s
		}
		if !isSleeping {
			s = a
		}
		for _, probe := range probes() {
			at := a
			if probe.asleep {
				at = s
			}
			w := at.reach(t)
			if w.step(0) != step {
				t.Fatalf("%v: reached %v", step, w.step(0))
			}
			fmt.Fprintf(&text, "  %-28s %s\n", probe.name, w.react(probe))
			pairs++
		}
	}
	names := slices.Sorted(maps.Keys(jobs))
	fmt.Fprintf(&text, "awaited effects: %s\n", strings.Join(names, ", "))
	fmt.Fprintf(&text, "%d steps, %d pairs, %d awaited effects\n", len(station.Steps()), pairs, len(names))
	t.Logf("%d steps, %d pairs, %d awaited effects", len(station.Steps()), pairs, len(names))
	golden(t, "testdata/states.golden", text.String())
}

func golden(t *testing.T, file, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs: %s", file, difference(string(want), got))
	}
}

// probe is one event to try in each step. Its fact is made in the world that
// it meets.
type probe struct {
	name   string
	asleep bool // wants the timer set rather than the answer awaited
	tell   func(*world)
}

func probes() []probe {
	answer := func(f func(*world) station.Fact) func(*world) {
		return func(w *world) {
			e := w.lastJob
			w.drop(e)
			w.tell(0, e.Token, f(w))
		}
	}
	list := []probe{{"answer", false, answer(func(w *world) station.Fact { return w.answer(w.lastJob) })}}
	for _, trouble := range []station.Trouble{station.Silent, station.Reset, station.Denied, station.Short, station.Broke} {
		list = append(list, probe{"answer, " + trouble.String(), false, answer(func(w *world) station.Fact {
			return failedAnswer(w.lastJob.Job, station.Failure{Trouble: trouble, Why: trouble.String()})
		})})
	}
	// Answers of every other kind with the right token: a bug elsewhere.
	list = append(list, probe{"any other answer", false, func(w *world) {
		for _, f := range []station.Fact{station.Done{}, station.Identified{}, station.Reported{}, station.BlockRead{}, station.Recalled{},
			station.Allowed{}, station.Stored{}, station.Saved{}, station.Captured{}, station.EmptyEstimated{},
			station.TargetEstimated{}, station.VerifyEstimated{}} {
			if w.lastJob.Job == nil || fmt.Sprintf("%T", failedAnswer(w.lastJob.Job, silent)) != fmt.Sprintf("%T", f) {
				w.tell(0, w.lastJob.Token, f)
			}
		}
	}})
	event := func(name string, f station.Fact) probe {
		return probe{name, false, func(w *world) { w.tell(0, 0, f) }}
	}
	return append(list,
		probe{"stale answer", false, func(w *world) { w.tell(0, 1_000_000, station.Done{}) }},
		probe{"timer", true, func(w *world) { w.tell(0, w.lastTimer.Token, station.Expired{}) }},
		probe{"stale timer", true, func(w *world) { w.tell(0, 1_000_000, station.Expired{}) }},
		probe{"progress", false, func(w *world) { w.tell(0, w.lastJob.Token, station.Progressed{Done: 7}) }},
		event("started", station.Started{}), event("tick", station.Tick{}),
		probe{"scan, its own label", false, func(w *world) { w.tell(station.NoNest, 0, station.Scanned{Text: w.label()}) }},
		probe{"scan, another label", false, func(w *world) { w.tell(station.NoNest, 0, station.Scanned{Text: "B7"}) }},
		probe{"scan, for this nest", false, func(w *world) { w.tell(0, 0, station.Scanned{Text: "B7"}) }},
		probe{"scan, the nest's label", false, func(w *world) { w.tell(station.NoNest, 0, station.Scanned{Text: "nest-1"}) }},
		probe{"scan, unreadable", false, func(w *world) { w.tell(station.NoNest, 0, station.Scanned{Text: "?"}) }},
		event("go", station.Go{}), event("skip", station.Skip{}), event("unpowered", station.Unpowered{}),
		probe{"crew", false, func(w *world) {
			w.tell(station.NoNest, 0, station.Crew{Operator: "op-2", WorkOrder: "W2", Lot: "L2", Anew: true})
		}},
		probe{"take up", false, func(w *world) { w.tell(0, 0, station.TakeUp{Files: usual().files(w.t)}) }},
		event("lift", station.LiftStop{By: "lead-1", Method: "badge"}),
		event("shutdown", station.Shutdown{Why: "test"}), event("crashed", station.Crashed{Why: "a bug"}),
		probe{"no such nest", false, func(w *world) { w.tell(99, 0, station.Go{}) }},
	)
}

func (w *world) label() string {
	if l := w.view(0).Label; l != "" {
		return l
	}
	return "B8"
}

// react tells what a probe leads to.
func (w *world) react(p probe) string {
	var out []string
	w.trace = nil
	w.effects = func(e station.Effect) {
		switch j := e.Job.(type) {
		case station.Ignore:
			why, _, _ := strings.Cut(j.Why, " where ")
			if _, other, is := strings.Cut(j.Why, " where "); is {
				why = "not what is awaited: " + strings.TrimSuffix(other, " is awaited")
			}
			out = append(out, "ignored: "+why)
		case station.Announce:
			out = append(out, "say "+string(j.Message.Code))
		default:
			out = append(out, jobName(e.Job))
		}
	}
	p.tell(w)
	w.effects = nil
	out = slices.Compact(out)
	text := "-> " + w.step(0).String()
	if len(out) > 0 {
		text += ": " + strings.Join(out, ", ")
	}
	return text
}
