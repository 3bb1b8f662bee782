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
		olds := [][]byte{nil, protocol.VoidBlock(), released(t)}
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
