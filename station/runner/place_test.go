package runner_test

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// TestPlaceOfTheTarget: without an end stop, a target that stands elsewhere
// accuses itself and no unit, a unit with a large offset is told by its own
// leakage, and where nothing tells them apart the capture is taken once more.
func TestPlaceOfTheTarget(t *testing.T) {
	pushed := append(placing(345), simunit.Move{On: simunit.Captured, After: time.Second, Do: simunit.PlaceTarget, TargetMM: 300, Reflect: 0.5})
	for _, c := range []struct {
		name     string
		hands    []simunit.Move
		offsetMM float64
		endStop  bool
		tell     float64 // largest u that tells the two apart; 0: the product's
		want     string
		met      string
	}{
		{name: "target 45 mm off", hands: placing(345), want: "error hold", met: "target_misplaced target_misplaced target_misplaced"},
		{name: "pushed back", hands: pushed, want: "passed release", met: "target_misplaced"},
		{name: "unit 45 mm off", hands: placing(300), offsetMM: 45, want: "failed hold", met: "out_of_limits"},
		{name: "target 45 mm off its end stop", hands: placing(345), endStop: true, want: "failed hold", met: "out_of_limits"},
		{name: "not told apart", hands: placing(345), tell: 1e-3, want: "failed hold", met: "not_told_apart out_of_limits"},
		{name: "not told apart, pushed back", hands: pushed, tell: 1e-3, want: "passed release", met: "not_told_apart"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				model := simunit.Hopper54()
				model.OffsetMM += c.offsetMM
				model.Spread.OffsetMM = 0
				b := start(t, rigging{config: func(x *station.Config) { placed(t, x, c.endStop, c.tell) }})
				u := makeUnit(t, model, 7, simunit.Options{Hands: c.hands})
				v, ok := b.calibrate(0, u, u.Serial())
				if !ok {
					t.Fatalf("no verdict; %+v", b.runner.Snapshot().Nests[0])
				}
				if got := string(v.Outcome) + " " + string(v.Disposition); got != c.want {
					t.Errorf("verdict %s, want %s (%s %s)", got, c.want, v.Code, v.Detail)
				}
				if got := problems(b.log.attempts()[0]); !strings.HasPrefix(got, c.met) || strings.Count(got, " ") > strings.Count(c.met, " ")+1 {
					t.Errorf("problems %q, want %q", got, c.met)
				}
				if err := b.finish(); err != nil {
					t.Error(err)
				}
			})
		})
	}
}

// placing are hands that put the target there, and wait for the verdict.
func placing(mm float64) []simunit.Move { return simunit.UsualHands(time.Second, mm, 0.5)[:1] }

// placed changes the sheet's end stop, and what the product asks of a way to
// tell the target's place from an offset.
func placed(t testing.TB, x *station.Config, endStop bool, tell float64) {
	t.Helper()
	p := *x.Files.Product
	if tell > 0 {
		p.Setup.Checks.TellApartMM = tell
	}
	for i := range x.Files.Sheet.Nests {
		x.Files.Sheet.Nests[i].EndStop = endStop
	}
	f, err := station.NewFiles(&p, x.Files.Limits, x.Files.Sheet)
	if err != nil {
		t.Fatal(err)
	}
	x.Files = f
}

// A target left at a wrong place stops the nest, whatever tells it: it is each
// unit's shift alike.
func TestMisplacedTargetStopsTheNest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		model := simunit.Hopper54()
		model.Spread.OffsetMM = 0
		model.Departures.DistanceSDMM = 0
		b := start(t, rigging{config: func(x *station.Config) { x.InARow = 3; placed(t, x, false, 0) }})
		for i := range 3 {
			u := makeUnit(t, model, 7+i, simunit.Options{Hands: placing(345)})
			if v, ok := b.calibrate(0, u, u.Serial()); !ok || v.Code != station.BrokenCapture {
				t.Fatalf("unit %d: %+v", i, v)
			}
			if i < 2 {
				b.clear(0)
			}
		}
		b.sockets[0].unit.TakeOut()
		time.Sleep(3 * time.Second)
		synctest.Wait()
		if s := b.runner.Snapshot().Nests[0].Step; s != station.Stopped {
			t.Errorf("the nest is %v, want stopped", s)
		}
		all := b.log.all()
		if s, ok := all[len(all)-1].Body.(*record.Stop); !ok || s.Code != string(station.StopOffset) {
			t.Errorf("last on record: %+v", all[len(all)-1].Body.Kind())
		}
		if err := b.finish(); err != nil {
			t.Error(err)
		}
	})
}
