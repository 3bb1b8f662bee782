package runner_test

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/product"
	"example.org/panecal/station/runner"
	"example.org/panecal/store/record"
)

// TestPanicAnywhere plants a panic in everything that a station is connected
// with: no verdict, the emitter dark, the station says so and leaves in time.
func TestPanicAnywhere(t *testing.T) {
	for _, where := range []string{"attempt intent", "attempt", "captures", "by serial", "by unit", "may", "result", "move", "verdict",
		"identify", "status", "read", "void", "capture", "stage", "commit", "stop", "dial", "stats", "close"} {
		t.Run(where, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				bomb := &bomb{where: where}
				var told atomic.Int32
				b := start(t, rigging{product: "hopper-1", options: func(o *runner.Options) {
					bomb.memory, bomb.dialer = o.Log.(*memory), o.Dial
					o.Log, o.Past, o.Dial, o.Gate, o.Fixture = bomb, bomb, bomb, bomb, bomb
					shown := o.OnVerdict
					o.OnVerdict = func(v station.Verdict) { bomb.at("verdict"); shown(v) }
					o.Panicked = func(what any, stack []byte) {
						if what != "a planted bug in "+where || !strings.Contains(string(stack), "bomb).at") {
							t.Errorf("told of %v\n%s", what, stack)
						}
						told.Add(1)
					}
				}})
				u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{Constants: elsewhereAdjusted(t), Hands: []simunit.Move{}})
				bomb.unit = u
				b.runner.Scan(0, u.Serial())
				b.sockets[0].put(u)
				u.Seat(simunit.Seating{})
				if where == "stop" {
					time.Sleep(time.Second)
					b.runner.Skip(0)
				}
				time.Sleep(25 * time.Second)
				synctest.Wait()
				if where != "close" && bomb.blown.Load() == 0 {
					t.Errorf("never came there: %v", b.runner.Snapshot().Nests[0].Step)
				}
				if u.EmitterOn() {
					t.Error("the emitter is on")
				}
				s := b.runner.Snapshot()
				if where != "result" && where != "close" && len(s.Stops) == 0 && len(b.log.attempts()) == 0 && len(s.Messages) == 0 && len(b.done) == 0 {
					t.Errorf("nothing is said: %+v", s)
				}
				for _, v := range b.seen() {
					if v.Released() && where != "result" && where != "dial" && where != "identify" && where != "close" {
						t.Errorf("released: %+v", v)
					}
				}
				err := b.finish()
				if internal := errors.Is(err, runner.ErrInternal); internal != (where == "verdict") {
					t.Errorf("Run returned %v", err)
				}
				if bomb.blown.Load() == 0 || told.Load() != 1 {
					t.Errorf("blown %d times, told %d times", bomb.blown.Load(), told.Load())
				}
			})
		})
	}
}

// bomb blows once, where it is told to.
type bomb struct {
	*memory
	dialer station.Dialer
	where  string
	unit   *specimen
	blown  atomic.Int32
}

func (b *bomb) at(where string) {
	if where == b.where && b.blown.Add(1) == 1 {
		panic("a planted bug in " + where)
	}
}

func (b *bomb) Append(r record.Body) (record.Ref, error) {
	b.at(r.Kind().String())
	return b.memory.Append(r)
}
func (b *bomb) AppendCapture(c record.Capture) (record.CaptureRef, error) {
	b.at("captures")
	return b.memory.AppendCapture(c)
}
func (b *bomb) BySerial(s string) ([]record.Entry, error) {
	b.at("by serial")
	return b.memory.BySerial(s)
}
func (b *bomb) ByUnitID(s string) ([]record.Entry, error) {
	b.at("by unit")
	return b.memory.ByUnitID(s)
}
func (b *bomb) May(context.Context, station.Ask) (string, error)              { b.at("may"); return "r1", nil }
func (b *bomb) Result(context.Context, station.Verdict) error                 { b.at("result"); return nil }
func (b *bomb) Cycle(context.Context, product.Nest) error                     { return nil }
func (b *bomb) Lamp(context.Context, product.Nest, func() station.Lamp) error { return nil }
func (b *bomb) Move(_ context.Context, _ product.Nest, to station.Position) error {
	b.at("move")
	if to == station.TargetNear {
		b.unit.SetScene(simunit.Scene{TargetMM: 300, Reflectance: 0.5})
	} else {
		b.unit.SetScene(simunit.Scene{})
	}
	return nil
}
func (b *bomb) Dial(ctx context.Context, n product.Nest) (station.Line, error) {
	b.at("dial")
	l, err := b.dialer.Dial(ctx, n)
	return bombLine{l, b}, err
}

type bombLine struct {
	station.Line
	b *bomb
}

func (l bombLine) Identify(ctx context.Context) (protocol.Identity, error) {
	l.b.at("identify")
	return l.Line.Identify(ctx)
}
func (l bombLine) Status(ctx context.Context) (protocol.Status, error) {
	l.b.at("status")
	return l.Line.Status(ctx)
}
func (l bombLine) ReadConstants(ctx context.Context) ([]byte, error) {
	l.b.at("read")
	return l.Line.ReadConstants(ctx)
}
func (l bombLine) Void(ctx context.Context, w protocol.Witness) error {
	l.b.at("void")
	return l.Line.Void(ctx, w)
}
func (l bombLine) Stage(ctx context.Context, x []byte) error {
	l.b.at("stage")
	return l.Line.Stage(ctx, x)
}
func (l bombLine) Commit(ctx context.Context, x []byte) error {
	l.b.at("commit")
	return l.Line.Commit(ctx, x)
}
func (l bombLine) Stats() protocol.Counters       { l.b.at("stats"); return l.Line.Stats() }
func (l bombLine) Close() error                   { err := l.Line.Close(); l.b.at("close"); return err }
func (l bombLine) Stop(ctx context.Context) error { l.b.at("stop"); return l.Line.Stop(ctx) }
func (l bombLine) Capture(ctx context.Context, r protocol.CaptureRequest, f func(protocol.Progress)) (*protocol.Capture, error) {
	return l.Line.Capture(ctx, r, func(p protocol.Progress) { l.b.at("capture"); f(p) })
}

// elsewhereAdjusted is a block from another station.
func elsewhereAdjusted(t testing.TB) []byte {
	b := &protocol.Block{Serial: "A1", Rows: 1, Cols: 2, State: protocol.Released}
	if err := b.SetLeakage([]float64{0.02, 0.02}, 0, nil); err != nil {
		t.Fatal(err)
	}
	if err := b.SetOffsets([]float64{1, 1}); err != nil {
		t.Fatal(err)
	}
	raw, err := b.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	return raw
}
