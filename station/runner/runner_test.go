package runner_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/product"
	"example.org/panecal/station/runner"
	"example.org/panecal/store/record"
)

// TestUnits takes one simulated unit of each kind through the station.
func TestUnits(t *testing.T) {
	usual := simunit.UsualHands(time.Second, 300, 0.5)
	for _, c := range []struct {
		name    string
		product string
		options simunit.Options
		want    string // outcome, bin, disposition
		met     string // problems on record
	}{
		{"passes", "hopper-54", simunit.Options{}, "passed passed release", ""},
		{"summaries only", "hopper-1", simunit.Options{}, "passed passed release", ""},
		{"dirty window", "hopper-54", simunit.Options{Hands: append([]simunit.Move{{On: simunit.Powered, Do: simunit.Touch, SmearRho: 0.12}}, usual...)},
			"failed dirty_window rework", "out_of_limits"},
		{"target left in", "hopper-54", simunit.Options{Hands: simunit.TargetLeftIn(time.Second, 4*time.Second, 300, 0.5)},
			"passed passed release", "stray"},
		{"verification fails", "hopper-1", simunit.Options{Flaw: simunit.FlawOffsetSign}, "failed verify hold", "verify_failed"},
		{"keeps the old block", "hopper-1", simunit.Options{Flaw: simunit.FlawCommit}, "failed verify hold", "readback_differs"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				model := simunit.Hopper54()
				if c.product == "hopper-1" {
					model = simunit.Hopper1()
				}
				b := start(t, rigging{product: c.product})
				u := makeUnit(t, model, 7, c.options)
				v, ok := b.calibrate(0, u, u.Serial())
				if !ok {
					t.Fatalf("no verdict; %+v", b.runner.Snapshot().Nests[0])
				}
				if got := string(v.Outcome) + " " + v.SoftName + " " + string(v.Disposition); got != c.want {
					t.Errorf("verdict %s, want %s (%s %s)", got, c.want, v.Code, v.Detail)
				}
				if got := problems(b.log.attempts()[0]); got != c.met {
					t.Errorf("problems %q, want %q", got, c.met)
				}
				if err := b.finish(); err != nil {
					t.Error(err)
				}
			})
		})
	}
}

// TestAdjustedUnitReturns: a unit that was adjusted gives the same constants
// again, because its old ones are void while it is measured.
func TestAdjustedUnitReturns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := start(t, rigging{product: "hopper-1", config: func(c *station.Config) { c.Files.Product.Retest.AfterPass = true }})
		bring := simunit.Move{On: simunit.Emptied, After: time.Second, Do: simunit.PlaceTarget}
		hands := []simunit.Move{bring, {On: simunit.Lifted, Do: simunit.ClearField}, bring}
		u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{Hands: hands})
		first, ok := b.calibrate(0, u, u.Serial())
		if !ok || !first.Released() {
			t.Fatalf("first: %+v", first)
		}
		b.clear(0)
		b.runner.Scan(station.NoNest, u.Serial())
		u.Seat(simunit.Seating{})
		for range 100 {
			time.Sleep(100 * time.Millisecond)
			synctest.Wait()
			if b.runner.Snapshot().Nests[0].Step == station.Confirming {
				break
			}
		}
		b.runner.Go(0)
		for range 300 {
			time.Sleep(100 * time.Millisecond)
			synctest.Wait()
			if len(b.seen()) == 2 {
				break
			}
		}
		if v := b.seen(); len(v) != 2 || !v[1].Released() || v[1].Attempt != 2 {
			t.Fatalf("verdicts %+v, %+v", v, b.runner.Snapshot())
		}
		a := b.log.attempts()
		sum := 0.0
		for z := range a[0].Zones.Leakage {
			d := a[1].Zones.Leakage[z] - a[0].Zones.Leakage[z]
			sum += d * d / (a[0].Zones.LeakageU[z]*a[0].Zones.LeakageU[z] + a[1].Zones.LeakageU[z]*a[1].Zones.LeakageU[z])
		}
		// Laser power changes by 1 % between captures, which is about one
		// counting uncertainty of a zone; a unit measured with its constants
		// on would have no leakage, over fifty of them.
		if rms := math.Sqrt(sum / float64(len(a[0].Zones.Leakage))); !(rms < 5) {
			t.Errorf("leakage of both attempts differs by %.1f u rms", rms)
		}
		if err := b.finish(); err != nil {
			t.Error(err)
		}
	})
}

// TestWrongLabels: swapped labels are found where the unit holds its serial.
func TestWrongLabels(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := start(t, rigging{})
		m := simunit.Hopper54()
		one, two := makeUnit(t, m, 1, simunit.Options{}), makeUnit(t, m, 2, simunit.Options{})
		for i, pair := range []struct {
			u    *specimen
			text string
		}{{one, two.Serial()}, {two, one.Serial()}} {
			v, ok := b.calibrate(0, pair.u, pair.text)
			if !ok || v.Code != station.FailedLabel || v.Disposition != station.Hold {
				t.Errorf("swap %d: %+v", i, v)
			}
			if pair.u.Stored() != nil {
				t.Error("the unit was written")
			}
			b.clear(0)
		}
		if err := b.finish(); err != nil {
			t.Error(err)
		}
	})
}

// TestThreeNests: three nests of one light group on one log. No two lasers
// fire at once, by the units' own truth.
func TestThreeNests(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := start(t, rigging{product: "hopper-1", nests: 3, group: "bench"})
		var units []*specimen
		for i := range 3 {
			u := makeUnit(t, simunit.Hopper1(), i+1, simunit.Options{})
			units = append(units, u)
			b.runner.Scan(i, u.Serial())
			b.sockets[i].put(u)
			u.Seat(simunit.Seating{})
		}
		lit, together := 0, 0
		for range 4000 {
			time.Sleep(10 * time.Millisecond)
			synctest.Wait()
			on := 0
			for _, u := range units {
				if u.EmitterOn() {
					on++
				}
			}
			lit += min(on, 1)
			if on > 1 {
				together++
			}
			if len(b.seen()) == 3 {
				break
			}
		}
		if lit < 30 || together > 0 {
			t.Errorf("of %d looks with a laser on, %d saw two", lit, together)
		}
		for _, v := range b.seen() {
			if !v.Released() {
				t.Errorf("%+v", v)
			}
		}
		if s := b.runner.Snapshot(); len(b.seen()) != 3 || s.Counters.Units != 3 || s.Counters.FirstPassed != 3 {
			t.Errorf("%d verdicts, counters %+v", len(b.seen()), s.Counters)
		}
		if err := b.finish(); err != nil {
			t.Error(err)
		}
	})
}

// TestShutdownAnywhere ends the station at many moments of an attempt: it
// leaves in time, the emitter is off, an attempt that began is on record.
func TestShutdownAnywhere(t *testing.T) {
	met := map[station.Step]int{}
	for at := 100 * time.Millisecond; at < 1500*time.Millisecond; at += 20 * time.Millisecond {
		synctest.Test(t, func(t *testing.T) {
			u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{Hands: simunit.UsualHands(100*time.Millisecond, 300, 0.5)})
			b := start(t, rigging{product: "hopper-1", chance: true}) // whether a step has just ended at that moment
			b.runner.Scan(0, u.Serial())
			b.sockets[0].put(u)
			u.Seat(simunit.Seating{})
			time.Sleep(at)
			synctest.Wait()
			met[b.runner.Snapshot().Nests[0].Step]++
			if err := b.finish(); err != nil {
				t.Errorf("after %v: %v", at, err)
			}
			begun, ended := 0, len(b.log.attempts())
			for _, e := range b.log.all() {
				if _, ok := e.Body.(*record.AttemptIntent); ok {
					begun++
				}
			}
			if begun != ended {
				t.Errorf("after %v: %d attempts begun, %d on record", at, begun, ended)
			}
			for _, a := range b.log.attempts() {
				if a.Outcome != station.Aborted && a.Outcome != station.Passed {
					t.Errorf("after %v: %s %s", at, a.Outcome, problems(a))
				}
			}
		})
	}
	t.Logf("steps at the moment of closing: %v", met)
	if len(met) < 4 {
		t.Errorf("only %d steps were met", len(met))
	}
}

// TestUnitFaults lets one request of each kind go wrong in each way, by the
// simulated unit's own hand. No verdict without its record, the emitter off
// at the end by the unit's own truth, nothing released that differs.
func TestUnitFaults(t *testing.T) {
	ends := map[string]int{}
	for _, op := range []protocol.Op{protocol.OpWhoAreYou, protocol.OpStatus, protocol.OpStartCapture, protocol.OpProgress, protocol.OpFetch,
		protocol.OpReadConstants, protocol.OpStage, protocol.OpCommit, protocol.OpStop} {
		for _, fault := range []simunit.Fault{
			{Kind: simunit.FaultSilence, Time: 3 * time.Second}, {Kind: simunit.FaultReset}, {Kind: simunit.FaultFlip}, {Kind: simunit.FaultLose},
			{Kind: simunit.FaultDeaf, Times: 5}, {Kind: simunit.FaultRepeat}, {Kind: simunit.FaultLate}, {Kind: simunit.FaultBusy},
			{Kind: simunit.FaultTornCommit},
		} {
			if fault.Kind == simunit.FaultTornCommit && op != protocol.OpCommit {
				continue
			}
			fault.Op = op
			fault.After = map[protocol.Op]int{protocol.OpStartCapture: 1, protocol.OpFetch: 5, protocol.OpProgress: 1}[op]
			t.Run(fmt.Sprintf("%v %s", op, fault.Kind), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					b := start(t, rigging{product: "hopper-1"})
					u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{Faults: []simunit.Fault{fault}})
					v, ok := b.calibrate(0, u, u.Serial())
					if !ok {
						t.Errorf("no verdict: %+v", b.runner.Snapshot())
					}
					ends[string(v.Outcome)+" "+string(v.Code)]++
					if err := b.finish(); err != nil {
						t.Error(err)
					}
				})
			})
		}
	}
	t.Logf("ends: %v", ends)
}

// TestStoreFails: a log that takes no attempt shows no verdict.
func TestStoreFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := &memory{fail: func(b record.Body) error {
			if b.Kind() == record.KindAttempt {
				return errors.New("no space left on device")
			}
			return nil
		}}
		b := start(t, rigging{product: "hopper-1", log: log})
		u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{})
		if v, ok := b.calibrate(0, u, u.Serial()); ok {
			t.Errorf("shown: %+v", v)
		}
		if s := b.runner.Snapshot(); len(s.Stops) == 0 || s.Stops[0].Code != station.StopStore {
			t.Errorf("stops %+v", s.Stops)
		}
		if blk, err := protocol.ParseBlock(u.Stored()); err != nil || blk.State != protocol.Written {
			t.Errorf("the unit holds %+v, %v", blk, err)
		}
		if err := b.finish(); err != nil {
			t.Error(err)
		}
	})
}

// panicky panics at one call of its line.
type panicky struct {
	station.Dialer
	left *atomic.Int64
}

type panickyLine struct {
	station.Line
	left *atomic.Int64
}

func (p panicky) Dial(ctx context.Context, n product.Nest) (station.Line, error) {
	l, err := p.Dialer.Dial(ctx, n)
	return panickyLine{l, p.left}, err
}

func (p panickyLine) Capture(ctx context.Context, r protocol.CaptureRequest, report func(protocol.Progress)) (*protocol.Capture, error) {
	return p.Line.Capture(ctx, r, func(g protocol.Progress) {
		if p.left.Add(-1) == 0 {
			panic("a planted bug")
		}
		report(g)
	})
}

// TestPanic: a bug in what serves a nest ends that nest's attempt on record,
// emitter off; the station goes on.
func TestPanic(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		left := &atomic.Int64{}
		left.Store(2)
		b := start(t, rigging{product: "hopper-1", nests: 2, options: func(o *runner.Options) { o.Dial = panicky{o.Dial, left} }})
		u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{})
		v, ok := b.calibrate(0, u, u.Serial())
		if !ok || v.Code != station.BrokenInternal || v.Disposition != station.Hold || u.EmitterOn() {
			t.Errorf("verdict %+v, emitter %v", v, u.EmitterOn())
		}
		if a := b.log.attempts()[0]; !strings.Contains(a.Problems[0].Chain, "a planted bug") {
			t.Errorf("on record: %+v", a.Problems)
		}
		other := makeUnit(t, simunit.Hopper1(), 8, simunit.Options{})
		if v, ok := b.calibrate(1, other, other.Serial()); !ok || !v.Released() {
			t.Errorf("the other nest: %+v", v)
		}
		if err := b.finish(); err != nil {
			t.Error(err)
		}
	})
}

// TestSnapshotsNeverWait: nobody reads, and the station goes on; the reader
// who comes late gets the newest.
func TestSnapshotsNeverWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := start(t, rigging{product: "hopper-1"})
		u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{})
		if v, ok := b.calibrate(0, u, u.Serial()); !ok || !v.Released() {
			t.Fatalf("%+v", v)
		}
		if s := <-b.runner.Snapshots(); s.Nests[0].Verdict == nil {
			t.Errorf("the newest snapshot shows %+v", s.Nests[0])
		}
		if err := b.finish(); err != nil {
			t.Error(err)
		}
		last := station.Snapshot{}
		for s := range b.runner.Snapshots() {
			last = s
		}
		if !last.Closed {
			t.Error("the last snapshot is not of a closed station")
		}
	})
}

// TestAddedBack: a unit that cannot range without its constants is audited
// with what they took off added back, on record. Units whose bins add up, too:
// the audit differs from the first attempt by no more than both say of what
// varies from capture to capture.
func TestAddedBack(t *testing.T) {
	const units, seed = 6, 7
	squares := map[quantity.Name]float64{}
	for i := range units + 1 { // the last one is the first with bins that do not add up
		walks := i < units
		synctest.Test(t, func(t *testing.T) {
			m := simunit.Hopper1()
			m.CompensationSwitch = false
			if m.Departures.BinWalkRel = 0; walks {
				m.Departures.BinWalkRel = 0.02
			}
			seed := seed + i%units
			bring := simunit.Move{On: simunit.Emptied, After: time.Second, Do: simunit.PlaceTarget}
			u := makeUnit(t, m, seed, simunit.Options{Hands: []simunit.Move{bring, {On: simunit.Lifted, Do: simunit.ClearField}, bring}})
			first := start(t, rigging{product: "hopper-1"})
			if v, ok := first.calibrate(0, u, u.Serial()); !ok || !v.Released() {
				t.Errorf("production: %+v", v)
			}
			first.clear(0)
			if err := first.finish(); err != nil {
				t.Error(err)
			}
			second := start(t, rigging{product: "hopper-1", log: first.log, config: func(c *station.Config) { c.Purpose = station.Audit }})
			v, ok := second.calibrate(0, u, u.Serial())
			if !ok || v.Outcome != station.Passed || v.Disposition != station.Release {
				t.Errorf("audit: %+v", v)
			}
			if err := second.finish(); err != nil {
				t.Error(err)
			}
			a := first.log.attempts()
			if len(a) != 2 || len(a[0].AddedBack) != 0 || string(a[1].AddedBack) != string(u.Stored()) {
				t.Fatalf("%d attempts, or the block in force is not on record", len(a))
			}
			for _, name := range []quantity.Name{quantity.OffsetMean, quantity.LeakageTotal} {
				one, two := a[0].Set()[name], a[1].Set()[name]
				z := (two.V - one.V) / math.Hypot(one.Own(), two.Own())
				if !(math.Abs(z) < 3.3) { // one unit in a thousand
					t.Errorf("unit %d: %s: %v before, %v in the audit", seed, name, one, two)
				}
				if walks {
					squares[name] += z * z
					continue
				}
				// What the station does not know of the leakage's place, 2 mm, is
				// divided by signal over leakage, some ten times.
				most := map[quantity.Name]float64{quantity.OffsetMean: 1, quantity.LeakageTotal: 0.1 * one.V}[name]
				if d := math.Abs(one.V - two.V); !(d < most) {
					t.Errorf("unit %d, whose bins do not add up: %s: %v before, %v in the audit", seed, name, one.V, two.V)
				}
			}
		})
	}
	// Chi-square of six degrees of freedom: 22.5 once in a thousand.
	for name, s := range squares {
		if !(s < 22.5) {
			t.Errorf("%s, seeds %d and up: the squares of %d differences over their u add up to %.1f", name, seed, units, s)
		}
		t.Logf("%s: squares of %d differences over their u: %.2f", name, units, s)
	}
}

// TestShutdownInLongCapture: a capture that would last long is not waited
// for.
func TestShutdownInLongCapture(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := start(t, rigging{product: "hopper-1"})
		u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{Speed: 0.02}) // twenty seconds
		b.runner.Scan(0, u.Serial())
		b.sockets[0].put(u)
		u.Seat(simunit.Seating{})
		time.Sleep(5 * time.Second)
		synctest.Wait()
		if s := b.runner.Snapshot().Nests[0]; s.Step != station.EmptyCapture || !u.EmitterOn() || s.Done == 0 {
			t.Errorf("%+v, emitter %v", s, u.EmitterOn())
		}
		if err := b.finish(); err != nil {
			t.Error(err)
		}
		if a := b.log.attempts(); len(a) != 1 || a[0].Outcome != station.Aborted {
			t.Errorf("%d attempts", len(a))
		}
	})
}

// TestMachineFails: whatever becomes of the machine itself, every emitter is
// told to stop.
func TestMachineFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := start(t, rigging{product: "hopper-1", nests: 2, options: func(o *runner.Options) {
			o.OnVerdict = func(station.Verdict) { panic("a planted bug") }
		}})
		slow := makeUnit(t, simunit.Hopper1(), 8, simunit.Options{Speed: 0.02})
		b.runner.Scan(1, slow.Serial())
		b.sockets[1].put(slow)
		slow.Seat(simunit.Seating{})
		u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{Flaw: simunit.FlawCommit})
		b.runner.Scan(0, u.Serial())
		b.sockets[0].put(u)
		u.Seat(simunit.Seating{})
		lit := false
		for len(b.done) == 0 {
			lit = slow.EmitterOn()
			time.Sleep(10 * time.Millisecond)
			synctest.Wait()
		}
		// Its own watchdog would end the emission a second later.
		if !lit || slow.EmitterOn() {
			t.Errorf("emitter was on: %v, is on: %v", lit, slow.EmitterOn())
		}
		if err := b.finish(); !errors.Is(err, runner.ErrInternal) {
			t.Errorf("Run returned %v", err)
		}
	})
}
