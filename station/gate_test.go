package station_test

import (
	"strings"
	"testing"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// gatedWorld is a station with a gate whose next answers are these.
func gatedWorld(t *testing.T, does station.Silence, answers ...station.Failure) (w *world, asked *[]station.Ask, told *[]station.Verdict) {
	w = worldOf(t, settings{purpose: station.Production, tie: "unit", nests: 1, max: 3, afterPass: true}, func(c *station.Config) {
		c.Gate, c.Silence, c.CheckUnits = true, does, []string{"C1"}
	})
	w.fails["ask"] = answers
	asked, told = new([]station.Ask), new([]station.Verdict)
	w.effects = func(e station.Effect) {
		switch j := e.Job.(type) {
		case station.Ask:
			*asked = append(*asked, j)
		case station.Tell:
			*told = append(*told, j.Verdict)
		}
	}
	return w, asked, told
}

func intents(w *world) (list []*record.AttemptIntent) {
	for _, e := range w.log {
		if b, ok := e.Body.(*record.AttemptIntent); ok {
			list = append(list, b)
		}
	}
	return list
}

// TestSilentGate: what the site chose is done, and stands on record.
func TestSilentGate(t *testing.T) {
	t.Run("hold", func(t *testing.T) {
		w, asked, told := gatedWorld(t, station.SilenceHolds, silent)
		w.through("A1")
		if len(intents(w)) != 0 || len(*told) != 0 || len(*asked) != 1 {
			t.Errorf("%d intents, told %v, asked %v", len(intents(w)), *told, *asked)
		}
		var kinds []string
		for _, e := range w.log {
			switch b := e.Body.(type) {
			case *record.Refusal:
				kinds = append(kinds, b.Code)
			case *record.DispositionChange:
				kinds = append(kinds, string(b.To)+" "+b.Code)
			}
		}
		if got := strings.Join(kinds, ", "); got != "gate_silent, hold gate_silent" {
			t.Error(got)
		}
		w.through("A1") // the gate answers now
		if len(intents(w)) != 1 || len(*told) != 1 {
			t.Errorf("%d intents, told %v", len(intents(w)), *told)
		}
	})
	t.Run("start", func(t *testing.T) {
		w, asked, told := gatedWorld(t, station.SilenceStarts, silent)
		w.through("A1")
		if i := intents(w); len(i) != 1 || i[0].Gate == nil || i[0].Gate.Answer != "silent" || i[0].Gate.Request != "" || len(*asked) != 1 || len(*told) != 1 {
			t.Errorf("intents %+v, asked %v, told %v", i, *asked, *told)
		}
	})
	t.Run("wait", func(t *testing.T) {
		w, asked, _ := gatedWorld(t, station.SilenceWaits, silent, silent, silent)
		w.tell(0, 0, station.Scanned{Text: "A1"})
		w.seat(0, newUnit("u1", "A1"))
		w.run()
		if w.step(0) != station.Delayed || len(intents(w)) != 0 {
			t.Fatalf("%v, %d intents", w.step(0), len(intents(w)))
		}
		if m := w.view(0).Trouble; m == nil || m.Code != station.NoticeSilent {
			t.Errorf("the screen says %v", m)
		}
		w.pass(2 * time.Second)
		if i := intents(w); len(i) != 1 || i[0].Gate.Answer != "may start" || len(*asked) != 4 {
			t.Errorf("intents %+v, asked %d times", i, len(*asked))
		}
		if m := w.view(0).Trouble; m != nil {
			t.Errorf("the screen still says %v", m)
		}
	})
}

// TestDelayedUnitChanges: no answer of the gate starts another unit than the one
// that it was given for, and a person can end the wait.
func TestDelayedUnitChanges(t *testing.T) {
	always := make([]station.Failure, 1000)
	for i := range always {
		always[i] = silent
	}
	for name, do := range map[string]func(*world){
		"taken out": func(w *world) { delete(w.units, 0) },
		"exchanged": func(w *world) { w.seat(0, newUnit("u2", "A2")) },
		"turned":    func(w *world) { w.tell(0, 0, station.Skip{}) },
		"closed":    func(w *world) { w.tell(station.NoNest, 0, station.Shutdown{Why: "test"}) },
	} {
		w, asked, told := gatedWorld(t, station.SilenceWaits, always...)
		w.tell(0, 0, station.Scanned{Text: "A1"})
		w.seat(0, newUnit("u1", "A1"))
		w.pass(time.Second)
		do(w)
		w.pass(time.Second)
		n := len(*asked)
		w.fails["ask"] = nil
		w.pass(3 * time.Second)
		if s := w.step(0); len(*asked) != n || len(intents(w)) != 0 || len(*told) != 0 || s == station.Delayed || s == station.Asking {
			t.Errorf("%s: asked %d times more, %d intents, %v", name, len(*asked)-n, len(intents(w)), s)
		}
	}
}

// TestGateKnowsProductionAlone: nothing but production reaches the gate, a check
// unit by its label neither, and a late answer changes nothing.
func TestGateKnowsProductionAlone(t *testing.T) {
	for _, p := range record.Purposes() {
		w, asked, told := gatedWorld(t, station.SilenceHolds)
		c := settings{purpose: p, tie: "unit", nests: 1, max: 3}.config(t)
		c.Gate = true
		var err error
		if w.machine, err = station.New(c); err != nil {
			t.Fatal(err)
		}
		w.tell(station.NoNest, 0, station.Started{})
		w.pass(time.Second)
		w.through("A1")
		want := 0
		if p == station.Production {
			want = 1
		}
		if len(w.attempts()) != 1 || len(*asked) != want || len(*told) != want {
			t.Errorf("%s: %d attempts, asked %v, told %v", p, len(w.attempts()), *asked, *told)
		}
	}
	w, asked, told := gatedWorld(t, station.SilenceHolds)
	w.through("C1")
	if a := w.attempts(); len(a) != 1 || a[0].Run.Purpose != station.Check || len(*asked)+len(*told) != 0 {
		t.Errorf("check unit: %d attempts, asked %v, told %v", len(a), *asked, *told)
	}
	w.through("A1")
	a := *asked
	if len(a) != 1 || a[0].Serial != "A1" || a[0].UnitID != "uA1" || a[0].Attempt != 1 || a[0].Nest != "nest-1" || a[0].Product == "" {
		t.Errorf("asked %+v", a)
	}
	n := len(w.ignored)
	w.tell(0, 1, station.Allowed{Request: "late"})
	if len(w.ignored) != n+1 {
		t.Error("an answer that nobody awaits was taken")
	}
}
