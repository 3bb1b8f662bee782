package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/plant"
	"example.org/panecal/limits/visible"
	"example.org/panecal/protocol/link"
	"example.org/panecal/protocol/recording"
	"example.org/panecal/protocol/simunit"
)

// replayed is what a replay prints: `panecal replay FILE PORT --json`.
type replayed struct {
	Schema      string            `json:"schema"`
	Recording   string            `json:"recording"`
	Begun       time.Time         `json:"begun"`
	Requests    int               `json:"requests"`
	Differences []replayDeviation `json:"differences"`
}

type replayDeviation struct {
	AtMS     float64 `json:"at_ms"`
	Asked    string  `json:"asked"`
	Recorded string  `json:"recorded"`
	Now      string  `json:"now"`
	Bytes    string  `json:"bytes,omitempty"`
}

func newReplay() *cobra.Command {
	var asUnit, asJSON bool
	baud := plant.Baud
	c := &cobra.Command{
		Use:   "replay FILE [PORT]",
		Short: "Play a recorded line back, to a unit or as one",
		Long: `Plays the station's side of a recording to the unit on PORT, byte for byte and
at the recorded times, and tells where it answers otherwise (exit code 3). A unit
that is still busy storing its constants is asked again first. With
--as-unit it plays the unit's side instead, on a pseudo-terminal of its own, for
a station to be tried on: it answers what was recorded, faults of the line
included, and runs until it is stopped.

Caution: what was recorded switches the emitter of a real unit on and may write
constants into it.`,
		Example: "  panecal replay incident.txt /dev/ttyS1\n  panecal replay incident.txt --as-unit",
		Args:    cli.Args(cobra.RangeArgs(1, 2)),
		RunE: func(c *cobra.Command, args []string) error {
			if asUnit == (len(args) == 2) {
				return cli.UsageError(errors.New("give a PORT or --as-unit; see panecal replay --help"))
			}
			file, err := os.Open(args[0])
			if err != nil {
				return fmt.Errorf("reading a recording: %w", err)
			}
			s, err := recording.Read(file)
			file.Close()
			if err != nil {
				return fmt.Errorf("%s: %w", args[0], err)
			}
			if asUnit {
				return playUnit(c, s)
			}
			result, err := playStation(c.Context(), s, args[1], baud)
			if err != nil {
				return err
			}
			result.Recording = args[0]
			if asJSON {
				err = cli.PrintJSON(c.OutOrStdout(), result)
			} else {
				for _, d := range result.Differences {
					fmt.Fprintf(c.OutOrStdout(), "%10.3f ms  %-14s recorded: %s, now: %s  %s\n", d.AtMS, visible.Text(d.Asked), visible.Text(d.Recorded), visible.Text(d.Now), d.Bytes)
				}
				fmt.Fprintf(c.OutOrStdout(), "%d requests, %d answered otherwise\n", result.Requests, len(result.Differences))
			}
			if err == nil && len(result.Differences) > 0 {
				err = &cli.QuietError{Code: cli.ExitFailed}
			}
			return err
		},
	}
	c.Flags().BoolVar(&asUnit, "as-unit", false, "play the unit, on a pseudo-terminal")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	c.Flags().IntVar(&baud, "baud", baud, "speed of a serial line")
	return c
}

func playStation(ctx context.Context, s *recording.Session, port string, baud int) (*replayed, error) {
	l, err := link.Open(ctx, port, link.Options{Baud: baud})
	if err != nil {
		return nil, cli.DeviceError(err)
	}
	defer l.Close()
	all, err := s.ToUnit(ctx, l)
	if errors.Is(err, link.ErrLost) {
		return nil, cli.DeviceError(err)
	} else if err != nil {
		return nil, err
	}
	result := &replayed{Schema: "panecal.replay/1", Begun: s.Begun, Requests: len(s.Exchanges()), Differences: []replayDeviation{}}
	for _, d := range all {
		result.Differences = append(result.Differences, replayDeviation{
			float64(d.At.Microseconds()) / 1000, d.Asked.String(), d.Recorded, d.Now, fmt.Sprintf("% X", d.Bytes)})
	}
	return result, nil
}

func playUnit(c *cobra.Command, s *recording.Session) error {
	p := recording.NewPlayer(s)
	path, err := simunit.ServePTY(c.Context(), p)
	if err != nil {
		return cli.DeviceError(err)
	}
	said := simulated{Schema: "panecal.sim/1", Port: path}
	for _, x := range s.Exchanges() {
		if id := x.Identity(); id != nil {
			said.Serial, said.Label, said.Product, said.UnitID = id.Serial, id.Serial, id.Product, id.UnitID
			break
		}
	}
	if err := cli.PrintLine(c.OutOrStdout(), said); err != nil {
		return err
	}
	<-c.Context().Done()
	for _, q := range p.Strangers() {
		fmt.Fprintf(c.ErrOrStderr(), "not in the recording: %v\n", q.Body.Op())
	}
	return context.Cause(c.Context())
}
