package station_test

import (
	"bytes"
	"os"
	"testing"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/store/record"
	"example.org/panecal/testdata/figures"
)

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

// TestHalfWrittenBlock: whatever part of a block a unit holds, from its first
// byte to its last but one, the read-back tells, and nothing is released.
func TestHalfWrittenBlock(t *testing.T) {
	whole := 0
	scenarios()[0].begin(t, func(w *world) {
		w.awaited = func(e station.Effect) {
			if j, ok := e.Job.(station.Write); ok {
				whole = len(j.Block)
			}
		}
	})
	if whole < 100 {
		t.Fatalf("a block of %d bytes", whole)
	}
	for n := range whole {
		olds := [][]byte{nil, protocol.VoidBlock(nil), released(t)}
		if os.Getenv("PANECAL_FULL") == "" {
			olds = olds[n%3 : n%3+1]
		}
		for _, old := range olds {
			w := newWorld(t, usual())
			u := newUnit("u1", "A1")
			u.block = old
			w.fail = func(e station.Effect) *station.Failure {
				if j, ok := e.Job.(station.ReadBlock); ok && w.step(0) == station.ReadingBack {
					_ = j
					part := bytes.Clone(u.block[:n])
					if n < len(old) {
						part = append(part, old[n:]...)
					}
					u.block = part
				}
				return nil
			}
			w.tell(station.NoNest, 0, station.Started{})
			w.pass(time.Second)
			w.calibrate(0, "A1", u)
			a := w.attempts()
			if len(a) != 1 || a[0].Outcome == station.Passed || problems(a[0]) != string(station.FailedReadBack) || len(w.shown) != 1 || w.shown[0].Released() {
				t.Fatalf("%d of %d bytes over %d: %d attempts, shown %+v", n, whole, len(old), len(a), w.shown)
			}
		}
	}
	figures.Tell(t, "everywhere.cuts", whole, "bytes", ">=100", whole >= 100)
	figures.Kept(t, "everywhere.cuts")
}

// TestConstantsInWorkingMemory: a unit that holds its constants only until it
// restarts is not released where the product has it restarted, whatever it
// answers before; one in so many is caught where one in so many is restarted.
func TestConstantsInWorkingMemory(t *testing.T) {
	for _, c := range []struct {
		every int
		want  []string // what is on record of each of three units
		good  []bool
	}{
		{1, []string{"restarted", "restarted", "restarted"}, []bool{false, false, false}},
		{2, []string{"restarted", "not this unit", "restarted"}, []bool{false, true, false}},
		{0, []string{"never", "never", "never"}, []bool{true, true, true}},
	} {
		set := usual()
		set.restart = c.every
		w := newWorld(t, set)
		w.tell(station.NoNest, 0, station.Started{})
		w.pass(time.Second)
		for i, text := range []string{"A1", "A2", "A3"} {
			u := newUnit("u"+text, text)
			u.forgets = true
			w.calibrate(0, text, u)
			a := w.attempts()
			if len(a) != i+1 || a[i].Constants == nil || a[i].Constants.Restart != c.want[i] {
				t.Fatalf("restart = %d, unit %d: %+v", c.every, i+1, a[len(a)-1].Constants)
			}
			if v := w.shown[i]; v.Marked != c.good[i] || (v.Code == station.FailedReadBack) == c.good[i] {
				t.Errorf("restart = %d, unit %d: %+v", c.every, i+1, v)
			}
		}
	}
}

// TestOtherUnitAfterRestart: what answers after the restart is asked who it is.
func TestOtherUnitAfterRestart(t *testing.T) {
	set := usual()
	set.restart = 1
	w := newWorld(t, set)
	u := newUnit("u1", "A1")
	w.awaited = func(e station.Effect) {
		if _, ok := e.Job.(station.Restart); ok {
			u.id.UnitID = "u2"
		}
	}
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	w.calibrate(0, "A1", u)
	if a := w.attempts(); len(a) != 1 || a[0].Outcome != station.Errored || problems(a[0]) != string(station.BrokenReset) {
		t.Errorf("%+v", a)
	}
}

// TestUnsoundUnit: what a unit reports around its captures and after its
// commit keeps it from being released, by name.
func TestUnsoundUnit(t *testing.T) {
	for _, step := range []station.Step{station.EmptyCapture, station.TargetCapture, station.Writing, station.VerifyCapture} {
		w := newWorld(t, usual())
		w.fail = func(e station.Effect) *station.Failure {
			switch e.Job.(type) {
			case station.Capture, station.Write:
				if w.step(0) == step {
					return &station.Failure{Trouble: station.Unsound, Why: "emitter on outside a capture"}
				}
			}
			return nil
		}
		w.tell(station.NoNest, 0, station.Started{})
		w.pass(time.Second)
		w.calibrate(0, "A1", newUnit("u1", "A1"))
		a := w.attempts()
		if len(a) != 1 || a[0].Outcome != station.Errored || a[0].Judgement.Disposition != station.Hold ||
			problems(a[0]) != string(station.BrokenUnsound) || len(w.shown) != 1 || w.shown[0].Detail != "emitter on outside a capture" {
			t.Errorf("%v: %+v %+v", step, a, w.shown)
		}
	}
}
