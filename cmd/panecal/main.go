// Command panecal runs a calibration station for optical ranging units, and
// reads what the station has recorded.
//
// Output policy: data goes to stdout, talk goes to stderr; --json prints one
// object with a schema field (run and sim print one object a line). Nothing
// but the exit code says how a command ended; the codes stand in package cli and
// in `panecal --help`.
package main

import (
	"context"
	"errors"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"slices"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/analyst"
	"example.org/panecal/cmd/panecal/browse"
	"example.org/panecal/cmd/panecal/causes"
	"example.org/panecal/cmd/panecal/clauses"
	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/cmd/panecal/evenlight"
	"example.org/panecal/cmd/panecal/logs"
	"example.org/panecal/cmd/panecal/plant"
	"example.org/panecal/cmd/panecal/plantwide"
	"example.org/panecal/cmd/panecal/productmake"
	"example.org/panecal/cmd/panecal/samples"
	"example.org/panecal/cmd/panecal/signing"
	"example.org/panecal/cmd/panecal/staff"
	"example.org/panecal/cmd/panecal/studies"
	"example.org/panecal/limits/visible"
	"example.org/panecal/store"
)

func main() { os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) }

// run is the whole program: it returns the exit code, so that deferred work
// is done before the process ends.
func run(args []string, in io.Reader, out, talk io.Writer) (code int) {
	where := &place{}
	shown, told := visible.NewWriter(out), visible.NewWriter(talk)
	defer func() {
		if p := recover(); p != nil {
			code = crashed(*where, p, debug.Stack(), told)
		}
		if err := errors.Join(shown.Flush(), told.Flush()); err != nil && code == cli.ExitDone {
			code = cli.ExitRunTime
		}
	}()
	ctx, caught, stop := catchSignals(context.Background())
	defer stop()
	root := newRoot(where)
	// What is offered is kept by the library for good: only the shell wants it.
	if slices.ContainsFunc(args, func(a string) bool { return strings.HasPrefix(a, cobra.ShellCompRequestCmd) }) {
		where.offer(root)
	}
	root.SetArgs(args)
	root.SetIn(in)
	root.SetOut(shown)
	root.SetErr(told)
	err := root.ExecuteContext(ctx)
	if s := caught(); s != 0 && !internal(err) {
		// A person or the system ended the command: that is the news, not
		// the errors it caused on the way out.
		return s
	}
	if err == nil {
		return cli.ExitDone
	}
	var quiet *cli.QuietError
	if !errors.As(err, &quiet) {
		cli.Tell(told, err)
	}
	return exitCode(err)
}

// catchSignals cancels the context at the first hang-up, interrupt or
// terminate, and tells afterwards which exit code it stands for. A second
// signal gets the system's own treatment: the process ends at once.
func catchSignals(parent context.Context) (ctx context.Context, caught func() int, stop func()) {
	ctx, cancel := context.WithCancelCause(parent)
	signals := make(chan os.Signal, 1)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	done := make(chan struct{})
	go func() {
		select {
		case s := <-signals:
			signal.Stop(signals)
			cancel(signalError{s})
		case <-done:
		}
	}()
	caught = func() int {
		var s signalError
		if !errors.As(context.Cause(ctx), &s) {
			return 0
		}
		switch s.Signal {
		case syscall.SIGHUP:
			return cli.ExitHangUp
		case syscall.SIGTERM:
			return cli.ExitTerminate
		}
		return cli.ExitInterrupt
	}
	return ctx, caught, func() { signal.Stop(signals); close(done); cancel(nil) }
}

type signalError struct{ os.Signal }

func (s signalError) Error() string { return "ended by " + s.String() }

func newRoot(where *place) *cobra.Command {
	root := &cobra.Command{
		Use:     "panecal",
		Version: version,
		Short:   "Calibrate optical ranging units behind their window, and keep the record",
		Long: `panecal runs a station that calibrates optical ranging units after they are
closed behind their window: it measures leakage and offset, writes the
compensation into the unit, verifies, judges and keeps a record.

Caution: the units emit invisible laser radiation (940 nm). Treat the emitter
as on unless its power is off; do not look into it with magnifying optics; keep
hands out of moving fixtures; handle open units only in an ESD protected area.
Local rules and the site's laser safety officer decide.

Exit codes: ` + cli.ExitHelp,
		Example: `  panecal init --station S1            make a store, a config and sample files
  panecal shift                        run the station with its screen
  panecal run --port /dev/ttyS1 --label H54-00001-X
  panecal unit H54-00001               the whole history of one unit
  panecal log check                    prove that the record is whole`,
		SilenceUsage:  true,
		SilenceErrors: true,
		Args:          cli.Args(cobra.NoArgs),
		RunE:          func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	root.SetFlagErrorFunc(cli.FlagError)
	root.PersistentFlags().StringVar(&where.config, "config", "", "configuration file (default: panecal/panecal.toml in the XDG config folder)")
	root.PersistentFlags().StringVar(&where.data, "data", "", "the store's folder, or the URL of a history (default: from the configuration, else panecal in the XDG data folder)")
	reports := &analyst.Reports{Open: where.log, Find: func() (logs.Log, error) { return where.wholeLog() }, Site: where.zone, Software: version}
	root.AddCommand(signing.NewDecisions(where.log)...)
	root.AddCommand(
		newInit(where),
		newShift(where),
		newRunCommand(where),
		newScan(where),
		newSim(),
		clauses.New(),
		evenlight.New(),
		productmake.New(),
		causes.New(where.log),
		causes.NewCompare(where.log),
		causes.NewPicture(where.log),
		newReplay(),
		newDemo(),
		newEstimate(),
		newLimits(where),
		newUnit(where),
		newExport(where),
		desk.NewFind(where.history, where.zone),
		analyst.NewCapture(where.log),
		analyst.NewConstants(where.log, plant.Baud),
		analyst.NewReestimate(where.log, version),
		desk.New(where.log, where.zone),
		analyst.NewDossier(reports),
		browse.New(where.log, where.zone, reports.ToFile),
		desk.NewCapability(where.log),
		desk.NewCharts(where.log),
		desk.NewHolds(where.log),
		desk.NewChecks(where.log),
		signing.NewNote(),
		studies.New(where.bench, where.log),
		signing.NewKey(),
		staff.New(func() (staff.Place, error) { return where.staffed() }),
		staff.NewHandOver(func() (string, error) { return where.storeFolder() }),
		newLog(where),
		plantwide.NewCentral(),
		plantwide.NewStations(func(folder string) (*store.Follower, string, error) { return place{data: folder}.follow() }),
		plantwide.NewForward(func() (*store.Follower, string, error) { return where.follow() }, version),
		newReread(where),
		newDoctor(where),
		samples.New(),
		newVersion(),
	)
	cli.FitHelp(root)
	return root
}
