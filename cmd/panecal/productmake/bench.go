package productmake

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/protocol"
	"example.org/panecal/protocol/link"
	"example.org/panecal/station"
	"example.org/panecal/station/estimate"
)

// specimen is a unit as it was measured.
type specimen struct {
	label    string
	id       protocol.Identity
	countMax uint32
	empty    shot
	targets  []shot
	lines    []line // of targets
}

// shot is one capture: counts, or what a unit without histograms says.
type shot struct {
	histogram *estimate.Histogram
	summary   *estimate.Summary
	temp      float64
}

// bench measures units over their lines, one after the other.
type bench struct {
	baud                int
	openText, closeText string
	shots               int64 // of a capture
	frames              int
	hands               time.Duration
	grace               time.Duration
	talk                io.Writer
	answer              *bufio.Reader // of a person at a terminal; nil: hands act by themselves
}

func (b bench) say(format string, args ...any) { fmt.Fprintf(b.talk, format+"\n", args...) }

// wait lets a person do something.
func (b bench) wait(ctx context.Context, what string) error {
	fmt.Fprintf(b.talk, "%s, then press Enter: ", what)
	done := make(chan error, 1)
	go func() { // ends with the line, for which nobody waits after an interrupt
		_, err := b.answer.ReadString('\n')
		done <- err
	}()
	select {
	case <-ctx.Done():
		return context.Cause(ctx)
	case err := <-done:
		if err != nil {
			return fmt.Errorf("waiting for Enter: %w", err)
		}
		return nil
	}
}

// measure takes all captures of one unit.
func (b bench) measure(ctx context.Context, s sitting) (out specimen, err error) {
	if b.answer != nil {
		if err := b.wait(ctx, fmt.Sprintf("Seat unit %s at %s, clear its field", s.label, s.port)); err != nil {
			return out, err
		}
	}
	l, err := link.Open(ctx, s.port, link.Options{Baud: b.baud, OpenText: b.openText, CloseText: b.closeText})
	if err != nil {
		return out, cli.DeviceError(err)
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	if err := l.Resume(); err != nil {
		return out, cli.DeviceError(err)
	}
	client := protocol.NewClient(l, protocol.Options{Baud: b.baud, Grace: b.grace})
	out.label = s.label
	if out.id, err = client.Identify(ctx); err != nil {
		return out, cli.DeviceError(err)
	}
	if out.id.Serial != "" && out.id.Serial != s.label {
		return out, fmt.Errorf("the unit says that it is %s: is it at this port?", out.id.Serial)
	}
	kind := protocol.Histograms
	if !out.id.Kinds.Has(kind) {
		if kind = protocol.Ranges; !out.id.CompensationOff {
			return out, errors.New("the unit has no histograms, and cannot range without its stored constants")
		}
	}
	capture := func(what string) (shot, *protocol.Capture, error) {
		frames := min(b.frames, out.id.MaxFrames)
		req := protocol.CaptureRequest{Kind: kind, Shots: b.shots / int64(frames), Frames: frames}
		b.say("%s: %s, about %v", s.label, what, time.Duration(b.shots*out.id.PulsePeriodNS).Round(time.Second/10))
		c, err := client.Capture(ctx, req, nil)
		if err != nil {
			return shot{}, nil, cli.DeviceError(err)
		}
		for _, n := range c.Counts {
			if c.CountMax > 0 && n >= c.CountMax {
				return shot{}, nil, fmt.Errorf("%s: a bin is full at %d counts: give fewer --shots", what, c.CountMax)
			}
		}
		h, sum := station.Inputs(c)
		out.countMax = max(out.countMax, c.CountMax)
		return shot{histogram: h, summary: sum, temp: float64(c.TempMilliCel) / 1000}, c, nil
	}
	look := looker{client: client}
	if err := look.first(ctx); err != nil {
		return out, cli.DeviceError(err)
	}
	if out.empty, _, err = capture("empty field"); err != nil {
		return out, err
	}
	for _, t := range s.lines {
		want := fmt.Sprintf("bring the target to %g mm", t.DistanceMM)
		if t.TiltXDeg != 0 || t.TiltYDeg != 0 {
			want += fmt.Sprintf(", tilted by %g and %g degrees", t.TiltXDeg, t.TiltYDeg)
		}
		if b.answer != nil {
			err = b.wait(ctx, "Unit "+s.label+": "+want)
		} else {
			b.say("%s: %s", s.label, want)
			err = look.change(ctx, b.hands)
		}
		if err != nil {
			return out, fmt.Errorf("%s: %w", want, err)
		}
		shot, _, err := capture(fmt.Sprintf("target at %g mm", t.DistanceMM))
		if err != nil {
			return out, err
		}
		out.targets, out.lines = append(out.targets, shot), append(out.lines, t)
	}
	return out, nil
}

// looker sees by short captures whether the field has changed and come to rest.
type looker struct {
	client *protocol.Client
	last   []float64 // counts of each zone
}

const (
	lookShots = 20_000
	lookEvery = 200 * time.Millisecond
)

func (l *looker) look(ctx context.Context) ([]float64, error) {
	c, err := l.client.Capture(ctx, protocol.CaptureRequest{Kind: protocol.Totals, Shots: lookShots, Frames: 1}, nil)
	if err != nil {
		return nil, err
	}
	out := make([]float64, len(c.Totals))
	for z, n := range c.Totals {
		out[z] = float64(n)
	}
	return out, nil
}

func (l *looker) first(ctx context.Context) (err error) {
	l.last, err = l.look(ctx)
	return err
}

// In standard deviations of counts, over all zones: what is a change, and what is
// none.
const sureSigmas, restSigmas = 8, 5

// differ is how far two looks are apart: the root of a chi-square against what
// chance gives, as a normal deviate. A zone's counts change by more than a
// hundredth, or it is the laser's power.
func differ(a, b []float64) float64 {
	chi := 0.0
	for z := range a {
		d := a[z] - b[z]
		chi += d*d/(a[z]+b[z]+1e-4*(a[z]*a[z]+b[z]*b[z])+1) - 1
	}
	return chi / math.Sqrt(2*float64(len(a)))
}

// errNoChange: nobody brought a target.
var errNoChange = errors.New("nothing has changed in the field")

// change waits until the field looks different from the last time, twice the
// same.
func (l *looker) change(ctx context.Context, limit time.Duration) error {
	ctx, cancel := context.WithTimeoutCause(ctx, limit, fmt.Errorf("%w for %v", errNoChange, limit))
	defer cancel()
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	before := l.last
	for {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-tick.C:
		}
		now, err := l.look(ctx)
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		if err != nil {
			return cli.DeviceError(err)
		}
		if differ(now, l.last) > sureSigmas && differ(now, before) < restSigmas {
			l.last = now
			return nil
		}
		before = now
	}
}
