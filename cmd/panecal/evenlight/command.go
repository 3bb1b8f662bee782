// Package evenlight is the sub-command `bins`: it lets units count with their
// emitter off, in light that is even in time, and tells how wide their bins
// are. What a unit says of itself is all it needs; no file, no store.
package evenlight

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/protocol"
	"example.org/panecal/protocol/link"
	"example.org/panecal/station/estimate"
)

// command is what `panecal bins` was asked for.
type command struct {
	baud                int
	openText, closeText string
	shots               int64
	longest             time.Duration
	json                bool
	talk                io.Writer
}

// New is the sub-command.
func New() *cobra.Command {
	var q command
	c := &cobra.Command{
		Use:   "bins PORT...",
		Short: "Measure how wide the bins of units are, in light that is even in time",
		Long: `Lets each unit count with its emitter off (SPEC.md 5.3.11) while its field is lit
evenly in time, and prints the width of each bin with its standard uncertainty.
Light that is even in time falls into a bin by its width alone. Of several units
of a product it prints what they share, and how they differ from it: what a
product file may state as bins.widths_ps, spread.bin_width, spread.bin_edge_ps.

Light: a lamp on direct current, or daylight, the same in all zones as far as it
goes; no lamp on alternating current, and none that is pulsed. Each bin needs
200,000 counts over all zones: a short trial says how many shots that takes. The
whole axis is as long as the unit's clock says; its error is not seen here. Exit
code 3 where a capture is not to be trusted, such as light that changed.`,
		Example: `  panecal bins /dev/ttyS1
  panecal bins /dev/ttyS1 /dev/ttyS2 /dev/ttyS3 --json > bins.json`,
		Args: cli.Args(cobra.MinimumNArgs(1)),
		RunE: func(c *cobra.Command, ports []string) error {
			q.talk = c.ErrOrStderr()
			a, err := q.measure(c.Context(), ports)
			if err != nil {
				return err
			}
			show := a.write
			if q.json {
				show = func(w io.Writer) error { return cli.PrintJSON(w, a) }
			}
			if err := show(c.OutOrStdout()); err != nil {
				return err
			}
			if len(a.Faults) > 0 {
				return &cli.QuietError{Code: cli.ExitFailed}
			}
			return nil
		},
	}
	f := c.Flags()
	f.BoolVar(&q.json, "json", false, "print one JSON object")
	f.IntVar(&q.baud, "baud", 921600, "speed of a serial line")
	f.StringVar(&q.openText, "open-text", "", "text that opens protocol mode on a unit with a console")
	f.StringVar(&q.closeText, "close-text", "", "text that closes it")
	f.Int64Var(&q.shots, "shots", 0, "shots of each unit; 0: as many as a trial says")
	f.DurationVar(&q.longest, "longest", 10*time.Minute, "longest time of light for one unit")
	return c
}

func (q command) measure(ctx context.Context, ports []string) (*answer, error) {
	if q.shots < 0 || q.longest <= 0 {
		return nil, cli.UsageError(errors.New("--shots is not negative and --longest is above 0"))
	}
	var first protocol.Identity
	var captures []estimate.Histogram
	a := &answer{Schema: "panecal.bins/1"}
	for i, port := range ports {
		id, h, err := q.unit(ctx, port)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", port, err)
		}
		if i == 0 {
			first = id
		}
		if id.Product != first.Product || id.Zones() != first.Zones() || id.Bins != first.Bins || id.BinFS != first.BinFS || id.PileUp != first.PileUp {
			return nil, fmt.Errorf("%s: a %s, not a %s as on %s: measure units of one product", port, id.Product, first.Product, ports[0])
		}
		a.Units = append(a.Units, unit{port, id.Serial, h.Shots})
		captures = append(captures, h)
	}
	e, err := estimator(first)
	if err != nil {
		return nil, err
	}
	w, err := e.BinWidths(captures...)
	if err != nil {
		return nil, err
	}
	a.fill(first, w)
	return a, nil
}

// estimator is one for what needs no more of a product than its bins.
func estimator(id protocol.Identity) (*estimate.Estimator, error) {
	w := float64(id.BinFS) / 1000
	n := id.Zones()
	s := estimate.Setup{
		Grid: estimate.Grid{Rows: id.Rows, Cols: id.Cols, Ux: make([]float64, n), Uy: make([]float64, n)},
		Bins: id.Bins, BinPS: w, LeakageWindowPS: [2]float64{0, w}, PileUp: estimate.NoPileUp,
		Pulse: estimate.Pulse{StartPS: -w / 2, StepPS: w, Density: []float64{1, 1}},
	}
	if id.PileUp == protocol.FirstPhoton {
		s.PileUp = estimate.FirstPhoton
	}
	s.Checks.CountMax = math.MaxUint32 // each capture is held against its own
	return estimate.New(s)
}

// unit takes the captures of one unit.
func (q command) unit(ctx context.Context, port string) (id protocol.Identity, sum estimate.Histogram, err error) {
	l, err := link.Open(ctx, port, link.Options{Baud: q.baud, OpenText: q.openText, CloseText: q.closeText})
	if err != nil {
		return id, sum, cli.DeviceError(err)
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	client := protocol.NewClient(l, protocol.Options{Baud: q.baud})
	if err := l.Resume(); err != nil {
		return id, sum, cli.DeviceError(err)
	}
	if id, err = client.Identify(ctx); err != nil {
		return id, sum, cli.DeviceError(err)
	}
	if !id.Kinds.Has(protocol.EvenLight) {
		return id, sum, errors.New("this unit cannot count with its emitter off (kind even light, SPEC.md 5.3.11)")
	}
	p := plan{most: q.longest.Nanoseconds() / max(id.PulsePeriodNS, 1), shots: q.shots}
	for !p.done() {
		req := protocol.CaptureRequest{Kind: protocol.EvenLight}
		req.Shots, req.Frames = p.next(id.MaxFrames)
		took := time.Duration(req.Shots * int64(req.Frames) * id.PulsePeriodNS).Round(time.Second / 10)
		if p.each == 0 {
			fmt.Fprintf(q.talk, "%s: a trial\n", port)
		} else {
			fmt.Fprintf(q.talk, "%s: %d of %d shots done, the next take about %v\n", port, p.fired, p.shots, took)
		}
		c, err := client.Capture(ctx, req, nil)
		if err != nil {
			return id, sum, cli.DeviceError(err)
		}
		if err := p.add(c, id); err != nil {
			return id, sum, err
		}
	}
	return id, p.sum, nil
}
