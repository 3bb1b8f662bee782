// Package clauses is the sub-command `conform`: it tries a unit on a port, a unit
// program or this program's own simulated units against every clause of the
// protocol's specification, and prints a line a clause.
package clauses

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/plant"
	"example.org/panecal/protocol/conform"
	"example.org/panecal/protocol/link"
	"example.org/panecal/protocol/recording"
	"example.org/panecal/protocol/simunit"
)

// conformance is what `panecal conform` was asked for.
type conformance struct {
	self                bool
	programs            []string
	baud                int
	openText, closeText string
	askPower            bool
	complete            bool
	latency             time.Duration
	seed                uint64
	only                []string
	record              string
}

// New makes the sub-command.
func New() *cobra.Command {
	var asked conformance
	var asJSON bool
	c := &cobra.Command{
		Use:   "conform [PORT]",
		Short: "Try a unit against every clause of the protocol's specification",
		Long: `Walks the whole specification of the wire against a connected unit and prints a
line for each clause: passed, failed with the bytes seen, or not tried and why.
It takes about a minute and a half. Exit code 3 if a clause failed.

Caution: the unit's emitter is switched on and off many times (940 nm, not
visible), and test constants are written into the unit; those found in it are
put back at the end. Run it on a bench, with the unit facing a target a few
hundred millimetres away.

An answer counts as late when it begins after more than 100 ms and --latency, the
time that the line's adapter adds: three late answers in one check, and more than
one in a hundred, fail 4.5.1. While this computer itself stands still nothing is
late; what failed then, or while it had too much to do, is tried again, at most
five times. A unit that is late with everything ends the run.

Some clauses need more than the line. --ask-power lets this program ask you to
cut the power. --start PROGRAM starts a unit program instead of using a port: it
prints one line, {"port":"…","open":"…","close":"…"} (open and close only with
a console), and takes commands on its input, one a line, each answered by "ok",
"ok VALUE" or "no":

  off, on      the power
  cut N        the power fails at the N-th step of writing the constants from now
               and comes back by itself; N goes up by one until a write survives,
               so let a step be a page or so. cut 0: no cut any more, "ok 1" if
               one came since the last such command, else "ok 0"
  fault BITS   faults as in 5.2.2; 0 heals
  damage       a bit of the block in force flips; "no" if there is none
  light        "ok 1" while the emitter is driven, else "ok 0"

Given several times, the programs are variants of one unit: a clause that one of
them cannot try may be tried by another.`,
		Example: `  panecal conform /dev/ttyS1 --baud 921600
  panecal conform /dev/ttyS1 --open-text '~open\r' --close-text '~close\r' --ask-power
  panecal conform --self --complete
  panecal conform --start "./unit --console" --start ./unit`,
		Args: cli.Args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			ways := len(args) + min(1, len(asked.programs))
			if asked.self {
				ways++
			}
			if ways != 1 {
				return cli.UsageError(errors.New("give a PORT, --start or --self; see panecal conform --help"))
			}
			report, err := asked.run(c, args)
			if err != nil && (report == nil || report.OK()) {
				return err
			}
			if err != nil {
				fmt.Fprintf(c.ErrOrStderr(), "panecal: %v\n", err)
			}
			show := report.WriteText
			if asJSON {
				show = func(w io.Writer) error { return cli.PrintJSON(w, report) }
			}
			if err := show(c.OutOrStdout()); err != nil {
				return err
			}
			if !report.OK() || asked.complete && report.Untried > 0 {
				return &cli.QuietError{Code: cli.ExitFailed}
			}
			return nil
		},
	}
	f := c.Flags()
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	f.BoolVar(&asked.self, "self", false, "try the simulated units of this program, on pseudo-terminals")
	f.StringArrayVar(&asked.programs, "start", nil, "start this unit program, its arguments separated by spaces, and try it; may be repeated")
	f.IntVar(&asked.baud, "baud", plant.Baud, "speed of a serial line")
	f.StringVar(&asked.openText, "open-text", "", `text that opens protocol mode on a unit with a console; \r and \n as in Go`)
	f.StringVar(&asked.closeText, "close-text", "", "text that closes it")
	f.BoolVar(&asked.askPower, "ask-power", false, "ask on the terminal for the unit's power to be cut and given back")
	f.BoolVar(&asked.complete, "complete", false, "a clause that was not tried counts as failed")
	f.DurationVar(&asked.latency, "latency", 10*time.Millisecond, "what the line's adapter adds to the time until an answer begins")
	f.Uint64Var(&asked.seed, "seed", 1, "seed of session numbers and of random fetches")
	f.StringSliceVar(&asked.only, "clause", nil, "run only what tries these clauses")
	f.StringVar(&asked.record, "record", "", "write everything that goes over the line into this file, which must be new")
	return c
}

func (q conformance) run(c *cobra.Command, args []string) (*conform.Report, error) {
	o, err := q.options(c)
	switch {
	case err != nil:
		return nil, err
	case q.self:
		return q.trySimulated(c.Context(), o)
	case len(q.programs) > 0:
		var all []*conform.Report
		for _, program := range q.programs {
			report, err := q.tryProgram(c, o, program)
			if err != nil {
				return report, err
			}
			all = append(all, report)
		}
		return conform.Merge(all...), nil
	}
	if q.askPower {
		lines := bufio.NewReader(c.InOrStdin())
		o.Bench = conform.AskingBench{Ask: func(sentence string) error {
			fmt.Fprintf(c.ErrOrStderr(), "%s, then press Enter. ", sentence)
			if _, err := lines.ReadString('\n'); err != nil {
				return fmt.Errorf("waiting for Enter: %w", err)
			}
			return nil
		}}
	}
	return q.tryPort(c.Context(), o, args[0])
}

func (q conformance) options(c *cobra.Command) (o conform.Options, err error) {
	o = conform.Options{Seed: q.seed, Latency: q.latency, Busy: conform.Busy, Only: q.only, Talk: func(name string) { fmt.Fprintf(c.ErrOrStderr(), "trying %s\n", name) }}
	if o.OpenText, err = strconv.Unquote(`"` + q.openText + `"`); err != nil {
		return o, cli.UsageError(fmt.Errorf("--open-text %q: %w", q.openText, err))
	}
	if o.CloseText, err = strconv.Unquote(`"` + q.closeText + `"`); err != nil {
		return o, cli.UsageError(fmt.Errorf("--close-text %q: %w", q.closeText, err))
	}
	return o, nil
}

// tryPort runs against whatever is on a line. The run sends the texts itself:
// it has to see what happens without them.
func (q conformance) tryPort(ctx context.Context, o conform.Options, port string) (_ *conform.Report, err error) {
	l, err := link.Open(ctx, port, link.Options{Baud: q.baud})
	if err != nil {
		return nil, cli.DeviceError(err)
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	o.Port = l
	kept, err := recording.To(q.record, l)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, kept.Close()) }()
	if kept != nil {
		o.Port = kept
	}
	report, err := conform.Run(ctx, o)
	if errors.Is(err, conform.ErrSilent) || errors.Is(err, link.ErrLost) {
		err = cli.DeviceError(fmt.Errorf("on %s: %w", port, err))
	}
	return report, err
}

// tryProgram starts a unit program, runs against it and ends it.
func (q conformance) tryProgram(c *cobra.Command, o conform.Options, program string) (*conform.Report, error) {
	words := strings.Fields(program)
	if len(words) == 0 {
		return nil, cli.UsageError(errors.New("--start without a program"))
	}
	ctx, cancel := context.WithCancel(c.Context())
	defer cancel()
	unit := exec.CommandContext(ctx, words[0], words[1:]...)
	unit.Stderr = c.ErrOrStderr()
	unit.WaitDelay = 2 * time.Second
	in, err := unit.StdinPipe()
	if err != nil {
		return nil, fmt.Errorf("starting %s: %w", program, err)
	}
	out, err := unit.StdoutPipe()
	if err != nil {
		return nil, fmt.Errorf("starting %s: %w", program, err)
	}
	if err := unit.Start(); err != nil {
		return nil, fmt.Errorf("starting %s: %w", program, err)
	}
	defer func() {
		in.Close() // the program ends by itself; the context sees to it if not
		cancel()
		_ = unit.Wait() // killed as often as not
	}()
	lines := bufio.NewReader(out)
	first, err := lines.ReadString('\n')
	if err != nil {
		return nil, fmt.Errorf("waiting for the first line of %s: %w", program, err)
	}
	var said struct{ Port, Open, Close string }
	if err := json.Unmarshal([]byte(first), &said); err != nil || said.Port == "" {
		return nil, fmt.Errorf("%s should print {\"port\":…} first and printed %q", program, strings.TrimSpace(first))
	}
	o.OpenText, o.CloseText = said.Open, said.Close
	o.Bench = conform.NewTextBench(lines, in)
	return q.tryPort(ctx, o, said.Port)
}

// trySimulated runs against two of this program's own units: one with a
// console, histograms and counts that can be filled up, one with neither.
func (q conformance) trySimulated(ctx context.Context, o conform.Options) (*conform.Report, error) {
	full := simunit.Hopper54()
	full.CountBits = 16
	console := simunit.Console{Open: "~panecal open\r", Close: "~panecal close\r", Banner: "hopper ready\r\n> "}
	var all []*conform.Report
	for _, variant := range []struct {
		model   simunit.Model
		console simunit.Console
	}{{full, console}, {simunit.Hopper1(), simunit.Console{}}} {
		u, err := simunit.New(variant.model, q.seed, simunit.Options{Console: variant.console})
		if err != nil {
			return nil, fmt.Errorf("making a simulated unit: %w", err)
		}
		u.SetScene(simunit.Scene{TargetMM: plant.TargetMM, Reflectance: plant.Reflectance})
		report, err := q.tryUnit(ctx, o, u, variant.console)
		if err != nil {
			return report, err
		}
		all = append(all, report)
	}
	return conform.Merge(all...), nil
}

func (q conformance) tryUnit(ctx context.Context, o conform.Options, u *simunit.Unit, console simunit.Console) (*conform.Report, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	path, err := simunit.ServePTY(ctx, u)
	if err != nil {
		return nil, cli.DeviceError(err)
	}
	o.OpenText, o.CloseText, o.Bench = console.Open, console.Close, simulatedBench{u}
	return q.tryPort(ctx, o, path)
}

// simulatedBench does to a simulated unit what a bench can.
type simulatedBench struct{ u *simunit.Unit }

func (b simulatedBench) Power(on bool) error {
	if on && !b.u.Seated() {
		b.u.Seat(simunit.Seating{})
	} else if !on {
		b.u.TakeOut()
	}
	return nil
}
func (b simulatedBench) CutAt(n int) (bool, error) { return b.u.CutAt(n), nil }
func (b simulatedBench) Fault(bits uint32) error   { b.u.Malfunction(bits); return nil }
func (b simulatedBench) Damage() error             { b.u.Damage(); return nil }
func (b simulatedBench) Light() (bool, error)      { return b.u.EmitterOn(), nil }
