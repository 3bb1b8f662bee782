package runner_test

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
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
	"example.org/panecal/testdata/figures"
)

// TestTroubleAnywhere lets one trouble come at every moment of an attempt:
// the emitter is dark a second later, what began is on record with its step,
// nothing is released that differs, and the nest works again. PANECAL_FULL=1
// tries every five milliseconds.
func TestTroubleAnywhere(t *testing.T) {
	for _, how := range []string{"cable", "reset", "taken out", "replaced", "silence"} {
		t.Run(how, func(t *testing.T) {
			met, ends := map[station.Step]int{}, map[string]int{}
			stride := 210 * time.Millisecond
			if os.Getenv("PANECAL_FULL") != "" {
				stride = 5 * time.Millisecond
			}
			for at := 20 * time.Millisecond; at < 1700*time.Millisecond; at += stride {
				synctest.Test(t, func(t *testing.T) {
					lines := &lastLine{}
					u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{Hands: simunit.UsualHands(100*time.Millisecond, 300, 0.5)})
					b := start(t, rigging{product: "hopper-1", chance: true, // whether a step has just ended at that moment
						options: func(o *runner.Options) { lines.Dialer, o.Dial = o.Dial, lines }})
					b.runner.Scan(0, u.Serial())
					b.sockets[0].put(u)
					u.Seat(simunit.Seating{})
					time.Sleep(at)
					synctest.Wait()
					step := b.runner.Snapshot().Nests[0].Step
					met[step]++
					switch how {
					case "cable":
						lines.pull()
					case "reset":
						u.Reset()
					case "taken out":
						u.TakeOut()
					case "silence":
						u.Break(simunit.Fault{Kind: simunit.FaultSilence, Time: 30 * time.Second})
					case "replaced":
						u.TakeOut()
						other := makeUnit(t, simunit.Hopper1(), 8, simunit.Options{})
						b.sockets[0].put(other)
						other.Seat(simunit.Seating{})
					}
					time.Sleep(time.Second + 600*time.Millisecond) // tries of the stop, the watchdog
					synctest.Wait()
					busy := b.runner.Snapshot().Nests[0].Step
					if u.EmitterOn() && slices.Contains([]station.Step{station.Showing, station.Vacant, station.Opening, station.Halting}, busy) {
						t.Errorf("%s in %v: emits in %v", how, step, busy)
					}
					time.Sleep(40 * time.Second)
					synctest.Wait()
					begun, ended := 0, slices.DeleteFunc(b.log.attempts(), func(a *record.Attempt) bool { return a.Intent == nil })
					for _, e := range b.log.all() {
						if _, ok := e.Body.(*record.AttemptIntent); ok {
							begun++
						}
					}
					if begun != len(ended) {
						t.Errorf("%s in %v: %d attempts begun, %d on record", how, step, begun, len(ended))
					}
					for _, a := range ended {
						ends[string(a.Outcome)+" "+problems(a)]++
						if a.Outcome != station.Passed && (len(a.Problems) == 0 || a.Problems[0].Step == "") {
							t.Errorf("%s in %v: %s without a reason or a step", how, step, a.Outcome)
						}
					}
					if n := b.runner.Snapshot().Nests[0].Step; !slices.Contains([]station.Step{station.Vacant, station.Showing, station.Unlabelled,
						station.Expected, station.Turned, station.Targeting}, n) {
						t.Errorf("%s in %v: the nest is left in %v", how, step, n)
					}
					if err := b.finish(); err != nil {
						t.Error(err)
					}
				})
			}
			t.Logf("in steps %v: %v", met, ends)
			figures.Tell(t, "everywhere.trouble."+strings.ReplaceAll(how, " ", "_"), len(met), "steps", ">=4", len(met) >= 4)
			figures.Kept(t, "everywhere.trouble."+strings.ReplaceAll(how, " ", "_"))
		})
	}
}

// lastLine remembers the line that was dialled last.
type lastLine struct {
	station.Dialer
	mu   sync.Mutex
	line station.Line
}

func (l *lastLine) Dial(ctx context.Context, n product.Nest) (station.Line, error) {
	line, err := l.Dialer.Dial(ctx, n)
	l.mu.Lock()
	defer l.mu.Unlock()
	l.line = line
	return line, err
}

func (l *lastLine) pull() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if p, ok := l.line.(*pipeLine); ok {
		p.port.Close()
	}
}

// TestConstantsForgotten: a unit that loses its constants with its power is
// found out by its restart. Where its product wants none, it is released in
// good faith; its next contact shows it.
func TestConstantsForgotten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := start(t, rigging{product: "hopper-1"})
		u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{Flaw: simunit.FlawForgets})
		if v, ok := b.calibrate(0, u, u.Serial()); !ok || v.Released() || v.Marked || v.Code != station.FailedReadBack {
			t.Errorf("restarted: %+v", v)
		}
		if err := b.finish(); err != nil {
			t.Error(err)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		bring := simunit.Move{On: simunit.Emptied, After: time.Second, Do: simunit.PlaceTarget}
		u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{Flaw: simunit.FlawForgets,
			Hands: []simunit.Move{bring, {On: simunit.Lifted, Do: simunit.ClearField}, bring}})
		first := start(t, rigging{product: "hopper-1", config: func(c *station.Config) { c.Files.Product.RestartEvery = 0 }})
		if v, ok := first.calibrate(0, u, u.Serial()); !ok || !v.Released() {
			t.Errorf("production: %+v", v)
		}
		if err := first.finish(); err != nil {
			t.Error(err)
		}
		u.TakeOut()
		second := start(t, rigging{product: "hopper-1", log: first.log, config: func(c *station.Config) { c.Purpose = station.Audit }})
		if v, ok := second.calibrate(0, u, u.Serial()); !ok || v.Released() || v.Disposition != station.Hold {
			t.Errorf("audit: %+v", v)
		}
		if err := second.finish(); err != nil {
			t.Error(err)
		}
	})
}

// mangled spoils every byte that comes from the unit.
type mangled struct{ station.Dialer }

func (m mangled) Dial(ctx context.Context, n product.Nest) (station.Line, error) {
	l, err := m.Dialer.Dial(ctx, n)
	if err != nil {
		return nil, err
	}
	w := &wire{Conn: l.(*pipeLine).port, in: stream{hurt: []hurt{{0, "flip", 1 << 30}, {0, "noise", 1 << 30}}}}
	for i := range 4096 {
		w.in.hurt = append(w.in.hurt, hurt{i, "flip", i % 8})
	}
	return &pipeLine{protocol.NewClient(w, protocol.Options{}), w}, nil
}

// TestWrongSpeed: a line on which nothing but rubbish comes ends as a unit
// that does not answer, in bounded time.
func TestWrongSpeed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := start(t, rigging{product: "hopper-1", options: func(o *runner.Options) { o.Dial = mangled{o.Dial} }})
		u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{})
		began := time.Now()
		v, ok := b.calibrate(0, u, u.Serial())
		if !ok || v.Code != station.FailedNoAnswer || time.Since(began) > 15*time.Second {
			t.Errorf("after %v: %+v", time.Since(began), v)
		}
		if err := b.finish(); err != nil {
			t.Error(err)
		}
	})
}

// TestSlowLine: a line with 16 ms of turnaround and the speed of a real one
// takes longer and says the same.
func TestSlowLine(t *testing.T) {
	var at []time.Duration
	var said []station.Verdict
	for _, line := range []simunit.Line{{}, {Baud: 921_600, Turnaround: 16 * time.Millisecond}} {
		synctest.Test(t, func(t *testing.T) {
			b := start(t, rigging{product: "hopper-1"})
			u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{Line: line})
			began := time.Now()
			v, ok := b.calibrate(0, u, u.Serial())
			if !ok {
				t.Error("no verdict")
			}
			at, said = append(at, time.Since(began)), append(said, v)
			if err := b.finish(); err != nil {
				t.Error(err)
			}
		})
	}
	if at[1] <= at[0] || said[0].Code != said[1].Code || said[0].HardBin != said[1].HardBin || !said[1].Released() {
		t.Errorf("after %v: %+v", at, said)
	}
}

// TestBusyForEver: a unit that always says busy is given up.
func TestBusyForEver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := start(t, rigging{product: "hopper-1"})
		u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{Faults: []simunit.Fault{{Kind: simunit.FaultBusy, Op: protocol.OpCommit, After: 0, Times: 1 << 20}}})
		v, ok := b.calibrate(0, u, u.Serial())
		if !ok || v.Released() || v.Code != station.BrokenContents {
			t.Errorf("%v %+v", ok, v)
		}
		if err := b.finish(); err != nil {
			t.Error(err)
		}
	})
}

// TestSlowDisk: a disk that takes five seconds for each record delays the
// verdict and nothing else.
func TestSlowDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := &memory{fail: func(record.Body) error { time.Sleep(5 * time.Second); return nil }}
		b := start(t, rigging{product: "hopper-1", nests: 2, log: log})
		patient := []simunit.Move{{On: simunit.Emptied, After: time.Second, Do: simunit.PlaceTarget}}
		u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{Hands: patient})
		b.runner.Scan(0, u.Serial())
		b.sockets[0].put(u)
		u.Seat(simunit.Seating{})
		shown := false
		for range 600 {
			time.Sleep(100 * time.Millisecond)
			synctest.Wait()
			if age := time.Since(b.runner.Snapshot().At); age > 1100*time.Millisecond {
				t.Fatalf("the newest snapshot is %v old", age)
			}
			if shown = len(b.seen()) > 0; shown {
				break
			}
		}
		if !shown || !b.seen()[0].Released() || len(log.attempts()) != 1 {
			t.Errorf("shown %+v", b.seen())
		}
		if err := b.finish(); err != nil {
			t.Error(err)
		}
	})
}

// TestEightNestsOneFaulty: what goes wrong in one nest changes neither the
// verdicts of the others nor, by more than a tenth, their times.
func TestEightNestsOneFaulty(t *testing.T) {
	run := func(how string) (said map[string]string, took map[string]time.Duration) {
		said, took = map[string]string{}, map[string]time.Duration{}
		synctest.Test(t, func(t *testing.T) {
			lines := &lastLine{}
			b := start(t, rigging{product: "hopper-1", nests: 8, chance: how == "noise" || how == "resets", options: func(o *runner.Options) {
				if how == "panics" {
					left := &atomic.Int64{}
					left.Store(3)
					o.Dial = onlyFirst{panicky{o.Dial, left}, o.Dial}
				}
				lines.Dialer = o.Dial
				o.Dial = onlyFirst{lines, o.Dial}
			}})
			for i := range 8 {
				o := simunit.Options{}
				switch {
				case i > 0:
				case how == "silence":
					o.Faults = []simunit.Fault{{Kind: simunit.FaultSilence, Op: protocol.OpFetch, Time: time.Minute}}
				case how == "busy":
					o.Faults = []simunit.Fault{{Kind: simunit.FaultBusy, Op: protocol.OpStage, Times: 1 << 20}}
				case how == "noise":
					o.Faults = simunit.LineNoise(0.3)
				case how == "resets":
					o.Faults = []simunit.Fault{{Kind: simunit.FaultReset, Share: 0.1}}
				case how == "torn":
					o.Faults = []simunit.Fault{{Kind: simunit.FaultTornCommit, Op: protocol.OpCommit}}
				}
				u := makeUnit(t, simunit.Hopper1(), i+1, o)
				b.runner.Scan(i, u.Serial())
				b.sockets[i].put(u)
				u.Seat(simunit.Seating{})
			}
			began := time.Now()
			for n := range 600 {
				time.Sleep(100 * time.Millisecond)
				synctest.Wait()
				if how == "cable" && n == 10 {
					lines.pull()
				}
				for _, v := range b.seen() {
					if _, known := said[v.Nest]; !known {
						said[v.Nest], took[v.Nest] = fmt.Sprint(v.Outcome, v.HardBin, v.Code), time.Since(began)
					}
				}
				if len(said) == 8 {
					break
				}
			}
			if err := b.finish(); err != nil {
				t.Error(err)
			}
		})
		return said, took
	}
	want, usual := run("")
	if len(want) != 8 || strings.Count(fmt.Sprint(want), "passed") < 8 {
		t.Fatalf("without a fault: %v", want)
	}
	for _, how := range []string{"cable", "silence", "busy", "noise", "resets", "torn", "panics"} {
		said, took := run(how)
		for nest, v := range want {
			if nest == "nest-1" {
				continue
			}
			if said[nest] != v || took[nest] > usual[nest]*11/10 {
				t.Errorf("%s: %s says %s after %v, without a fault %s after %v", how, nest, said[nest], took[nest], v, usual[nest])
			}
		}
		t.Logf("%s: nest-1 says %q after %v", how, said["nest-1"], took["nest-1"])
	}
}

// onlyFirst dials the first nest in another way than the rest.
type onlyFirst struct{ first, rest station.Dialer }

func (o onlyFirst) Dial(ctx context.Context, n product.Nest) (station.Line, error) {
	if n.Port == "0" {
		return o.first.Dial(ctx, n)
	}
	return o.rest.Dial(ctx, n)
}
