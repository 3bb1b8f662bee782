package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station"
	"example.org/panecal/station/batch"
	"example.org/panecal/station/papers"
	"example.org/panecal/station/shift"
	"example.org/panecal/store/record"
)

// runFlags are what `panecal run` is told.
type runFlags struct {
	ports, labels []string
	list          string
	nest          string
	revision      string
	purpose       string
	operator      string
	workOrder     string
	lot           string
	record        string
	rework        string
	again         bool
	hands         time.Duration
}

func newRunCommand(where *place) *cobra.Command {
	f := &runFlags{}
	c := &cobra.Command{
		Use:   "run --port PORT --label LABEL",
		Short: "Calibrate units without a screen, one JSON line a verdict",
		Long: `Calibrates one unit, or several at once on several ports, and prints one
panecal.verdict/1 line for each. Repeat --port and --label for more units: the
first label belongs to the first port, and so on; a port named again takes its
units one after the other. --list FILE reads {"port":…,"label":…} lines, as
` + "`panecal sim`" + ` prints them (- is standard input). A unit that gets no verdict has a
panecal.refusal/1 line with port, label, code and reason: each line of a list
has one line of its own.

Exit code 0 when every unit was released (with audit, check and study: passed),
3 when any was not, 4 when one was refused, 5 when a port cannot be opened.`,
		Example: `  panecal run --port /dev/serial/by-path/NAME --label H54-00001-X
  panecal run --list units.jsonl --operator 4711`,
		Args: cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error { return runBatch(c, *where, *f) },
	}
	fl := c.Flags()
	fl.StringArrayVar(&f.ports, "port", nil, "serial device, or tcp:HOST:PORT of a bridge (repeat for more)")
	fl.StringArrayVar(&f.labels, "label", nil, "label of the unit at that port (repeat for more)")
	fl.StringVar(&f.list, "list", "", "file of {\"port\":…,\"label\":…} lines; - is standard input")
	fl.StringVar(&f.nest, "nest", "", "nest of the station sheet whose fixture is used (default: the one with this port, else the first that is free)")
	fl.StringVar(&f.revision, "revision", "", "insist on this revision of limits or product (a prefix of 8 digits will do)")
	fl.StringVar(&f.purpose, "purpose", string(station.Production), "production, audit, check, study or engineering")
	fl.StringVar(&f.operator, "operator", "", "who is at the station")
	fl.StringVar(&f.workOrder, "work-order", "", "work order of the units")
	fl.StringVar(&f.lot, "lot", "", "lot of the units")
	fl.StringVar(&f.record, "record", "", "write everything that goes over the line into this file, for panecal replay (several ports: FILE-NEST each)")
	fl.StringVar(&f.rework, "rework", "", "code of what was done to the units since they failed, on record for each before it runs")
	fl.BoolVar(&f.again, "again", false, "run a unit again that has passed, where its product allows it")
	fl.DurationVar(&f.hands, "hands-time", 2*time.Minute, "how long to wait for the target before giving up")
	return c
}

// refusal is the line of a unit that gets no verdict.
type refusal struct {
	Schema string       `json:"schema"`
	Port   string       `json:"port"`
	Label  string       `json:"label"`
	Code   station.Code `json:"code"`
	Reason string       `json:"reason"`
}

const refusalSchema = "panecal.refusal/1"

// pairs are the units to run, and those of a list whose label another line
// has for another port.
func (f runFlags) pairs(in io.Reader) (all, twice []batch.Pair, err error) {
	if len(f.ports) != len(f.labels) {
		return nil, nil, cli.UsageError(fmt.Errorf("%d --port and %d --label: give one label for each port", len(f.ports), len(f.labels)))
	}
	for i := range f.ports {
		all = append(all, batch.Pair{Port: f.ports[i], Label: f.labels[i]})
	}
	if f.list != "" {
		listed, err := batch.ReadPairs(f.list, in)
		if err != nil {
			return nil, nil, err
		}
		all = append(all, listed...)
	}
	if len(all) == 0 {
		return nil, nil, cli.UsageError(errors.New("nothing to run: give --port and --label, or --list"))
	}
	var once []batch.Pair
	for i, p := range all {
		switch {
		case !slices.ContainsFunc(all[:i], func(q batch.Pair) bool { return q.Label == p.Label && q.Port != p.Port }):
			once = append(once, p)
		case i < len(f.ports):
			return nil, nil, cli.RefusedError(string(station.RefusedLabelBusy), errors.New(twoPorts(p.Label)))
		default:
			twice = append(twice, p)
		}
	}
	return once, twice, nil
}

func twoPorts(label string) string {
	return fmt.Sprintf("label %s is given for two ports: a label belongs to one unit", visible.Text(label))
}

func runBatch(c *cobra.Command, where place, f runFlags) error {
	purpose := station.Purpose(f.purpose)
	if !slices.Contains(record.Purposes(), purpose) {
		return cli.Unknown("purpose", string(f.purpose), record.Purposes())
	}
	pairs, twice, err := f.pairs(c.InOrStdin())
	if err != nil {
		return err
	}
	at, err := where.premises(f.operator)
	if err != nil {
		return err
	}
	all := at.files
	first, _, _ := all.Read(pairs[0].Label)
	if first == nil {
		first = all[0]
	}
	if f.revision != "" {
		wanted, ok := all.Revision(f.revision)
		if !ok {
			return cli.RefusedError("unknown_revision", fmt.Errorf("revision %s is not among the released files of this station: check the configuration's products", visible.Text(f.revision)))
		}
		if wanted != first {
			return cli.RefusedError("unknown_revision", fmt.Errorf("revision %s is of product %s, the label %s is not", visible.Text(f.revision), wanted.Product.Name, visible.Text(pairs[0].Label)))
		}
	}
	ports, queues := byPort(pairs)
	here := func(all papers.Catalogue) (papers.Catalogue, error) { return all.OnPorts(ports, f.nest) }
	local, err := here(all)
	if errors.Is(err, papers.ErrNoNest) {
		return cli.UsageError(err)
	} else if err != nil {
		return err
	}
	verdicts := make(chan station.Verdict, 256)
	w, err := openWorkplace(workplaceOptions{
		config: at.config, book: at.book, folder: at.folder, files: local, arrivals: f.revision == "", first: local[slices.Index(all, first)], purpose: purpose,
		operator: f.operator, workOrder: f.workOrder, lot: f.lot, handsTime: f.hands, command: "panecal run", record: f.record,
		onVerdict: func(v station.Verdict) { verdicts <- v }, talk: c.ErrOrStderr(), here: here,
	})
	if err != nil {
		return err
	}
	b := batch.Options{Queues: queues, Verdicts: verdicts, Operator: cmp.Or(f.operator, shift.Unknown), Again: f.again, Rework: f.rework}
	var lines error
	refuse := func(r refusal) {
		r.Schema = refusalSchema
		lines = errors.Join(lines, cli.PrintLine(c.OutOrStdout(), r))
	}
	b.Refused = func(nest int, t batch.Told) {
		refuse(refusal{Port: ports[nest], Label: t.Label, Code: t.Code, Reason: told(t)})
	}
	for _, p := range twice {
		cli.TellRefused(c.ErrOrStderr(), string(station.RefusedLabelBusy), twoPorts(p.Label))
		refuse(refusal{Port: p.Port, Label: p.Label, Code: station.RefusedLabelBusy, Reason: twoPorts(p.Label)})
	}
	err = w.batch(c, b, func(v station.Verdict) error { return cli.PrintLine(c.OutOrStdout(), v) })
	if quiet := (&cli.QuietError{}); len(twice) > 0 && (err == nil || errors.As(err, &quiet) && quiet.Code == cli.ExitFailed) {
		err = &cli.QuietError{Code: cli.ExitRefused}
	}
	return errors.Join(lines, err)
}

// batch runs a batch to its end, closes the station, and turns what came of it
// into the command's end.
func (w *workplace) batch(c *cobra.Command, o batch.Options, show func(station.Verdict) error) error {
	o.Station, o.Intake = w.runner, w.intake
	o.Tell = func(t batch.Told) { fmt.Fprintf(c.ErrOrStderr(), "panecal: %s: %s\n", visible.Text(t.Label), told(t)) }
	refused := o.Refused
	o.Refused = func(nest int, t batch.Told) {
		switch t.Code {
		case station.StopPort, station.StopStore, station.StopWorker: // no refusal: something failed
			o.Tell(t)
		case station.HandsConfirm:
			t.Code = station.RefusedPassed
			cli.TellRefused(c.ErrOrStderr(), string(t.Code), visible.Text(t.Label)+": "+told(t))
		default:
			cli.TellRefused(c.ErrOrStderr(), string(cmp.Or(t.Code, station.RefusedStopped)), visible.Text(t.Label)+": "+told(t))
		}
		if refused != nil {
			refused(nest, t)
		}
	}
	start := func(ctx context.Context) <-chan error { return w.start(func() error { return w.run(ctx) }) }
	end, err := batch.New(o).Run(c.Context(), start, w.runner.Snapshots(), show)
	if err = errors.Join(err, w.close()); err != nil {
		return err
	}
	if end != batch.AllReleased {
		return &cli.QuietError{Code: [...]int{cli.ExitDone, cli.ExitFailed, cli.ExitRefused, cli.ExitDevice, cli.ExitRunTime}[end]}
	}
	return nil
}

// told is what a batch tells people at the line.
func told(t batch.Told) string { return visible.Text(said(t)) }

func said(t batch.Told) string {
	switch {
	case t.Code == "":
		return "the unit was refused"
	case t.Code == station.RefusedPassed:
		return "the unit has passed before; run it again with --again"
	case t.Code.Meaning().Class == station.Guide:
		return t.Code.Say(t.Args)
	}
	return t.Code.Say(t.Args) + " " + t.Code.Do(t.Args)
}

// byPort gathers the labels of each port, both in the order given.
func byPort(pairs []batch.Pair) (ports []string, queues [][]string) {
	for _, p := range pairs {
		i := slices.Index(ports, p.Port)
		if i < 0 {
			i = len(ports)
			ports, queues = append(ports, p.Port), append(queues, nil)
		}
		queues[i] = append(queues[i], p.Label)
	}
	return ports, queues
}
