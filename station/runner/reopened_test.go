package runner_test

import (
	"context"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/product"
	"example.org/panecal/station/runner"
)

// TestPortReopened: after sleep the worker does not trust its port.
func TestPortReopened(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dials, ahead := 0, &atomic.Int64{}
		b := start(t, rigging{product: "hopper-1", options: func(o *runner.Options) {
			o.Dial = counting{o.Dial, &dials}
			o.Now = func() time.Time { return time.Now().Add(time.Duration(ahead.Load())) }
		}})
		u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{Speed: 0.02})
		b.runner.Scan(0, u.Serial())
		b.sockets[0].put(u)
		u.Seat(simunit.Seating{})
		time.Sleep(3 * time.Second)
		synctest.Wait()
		if !u.EmitterOn() {
			t.Fatalf("no capture runs: %+v", b.runner.Snapshot().Nests[0])
		}
		before := dials
		ahead.Store(int64(time.Minute))
		time.Sleep(1500 * time.Millisecond)
		synctest.Wait()
		if u.EmitterOn() || dials != before+1 {
			t.Errorf("emitter %v, dialled %d times since", u.EmitterOn(), dials-before)
		}
		if a := b.log.attempts(); len(a) != 1 || a[0].Outcome != station.Aborted || problems(a[0]) != string(station.BrokenPaused) {
			t.Errorf("on record %+v", a)
		}
		if err := b.finish(); err != nil {
			t.Error(err)
		}
	})
}

// counting counts how often a line is dialled.
type counting struct {
	station.Dialer
	dials *int
}

func (c counting) Dial(ctx context.Context, n product.Nest) (station.Line, error) {
	*c.dials++
	return c.Dialer.Dial(ctx, n)
}
