package runner_test

import (
	"context"
	"testing"
	"testing/synctest"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/product"
	"example.org/panecal/station/runner"
)

// doubtful is a line whose unit reports of itself what told makes of it.
type doubtful struct {
	station.Line
	captures *int
	told     func(captures int, s *protocol.Status)
}

func (d doubtful) Status(ctx context.Context) (protocol.Status, error) {
	s, err := d.Line.Status(ctx)
	d.told(*d.captures, &s)
	return s, err
}

func (d doubtful) Capture(ctx context.Context, q protocol.CaptureRequest, f func(protocol.Progress)) (*protocol.Capture, error) {
	*d.captures++
	return d.Line.Capture(ctx, q, f)
}

type dialer func(context.Context, product.Nest) (station.Line, error)

func (d dialer) Dial(ctx context.Context, n product.Nest) (station.Line, error) { return d(ctx, n) }

// TestUnsound: a unit that emits outside a capture, or reports a fault before
// one, after one or once its constants are written, goes on hold, by name.
func TestUnsound(t *testing.T) {
	for name, c := range map[string]struct {
		told func(captures int, s *protocol.Status)
		want string
	}{
		"emitter": {func(n int, s *protocol.Status) { s.EmitterOn = n > 0 }, "emitter on outside a capture, after a capture"},
		"detector": {func(n int, s *protocol.Status) {
			if n > 2 {
				s.Faults |= protocol.FaultDetector
			}
		}, "detector, "},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				captures := 0
				b := start(t, rigging{product: "hopper-1", options: func(o *runner.Options) {
					real := o.Dial
					o.Dial = dialer(func(ctx context.Context, n product.Nest) (station.Line, error) {
						line, err := real.Dial(ctx, n)
						if err != nil {
							return nil, err
						}
						return doubtful{line, &captures, c.told}, nil
					})
				}})
				u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{})
				v, ok := b.calibrate(0, u, u.Serial())
				if !ok || v.Outcome != station.Errored || v.Disposition != station.Hold || v.Code != station.BrokenUnsound ||
					len(v.Detail) < len(c.want) || v.Detail[:len(c.want)] != c.want {
					t.Errorf("%+v", v)
				}
				if err := b.finish(); err != nil {
					t.Error(err)
				}
			})
		})
	}
}
