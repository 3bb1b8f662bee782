package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/station"
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
` + "`panecal sim`" + ` prints them (- is standard input).

Exit code 0 when every unit passed and was released, 3 when any failed or is on
hold, 4 when one was refused, 5 when a port cannot be opened.`,
		Example: `  panecal run --port /dev/serial/by-path/NAME --label H54-00001-X
  panecal run --list units.jsonl --operator 4711`,
		Args: usageArgs(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error { return runBatch(c, *where, *f) },
	}
	fl := c.Flags()
	fl.StringArrayVar(&f.ports, "port", nil, "serial device, or tcp:HOST:PORT of a bridge (repeat for more)")
	fl.StringArrayVar(&f.labels, "label", nil, "label of the unit at that port (repeat for more)")
	fl.StringVar(&f.list, "list", "", "file of {\"port\":…,\"label\":…} lines; - is standard input")
	fl.StringVar(&f.nest, "nest", "", "nest of the station sheet whose fixture is used (default: the one with this port, else the first)")
	fl.StringVar(&f.revision, "revision", "", "insist on this revision of limits or product (a prefix of 8 digits will do)")
	fl.StringVar(&f.purpose, "purpose", string(station.Production), "production, audit, check, study or engineering")
	fl.StringVar(&f.operator, "operator", "", "who is at the station")
	fl.StringVar(&f.workOrder, "work-order", "", "work order of the units")
	fl.StringVar(&f.lot, "lot", "", "lot of the units")
	fl.StringVar(&f.record, "record", "", "write everything that goes over the line into this file, for panecal replay (several ports: FILE-NEST each)")
	fl.BoolVar(&f.again, "again", false, "run a unit again that has passed, where its product allows it")
	fl.DurationVar(&f.hands, "hands-time", 2*time.Minute, "how long to wait for the target before giving up")
	return c
}

// pair is one unit to run.
type pair struct {
	Port  string `json:"port"`
	Label string `json:"label"`
}

func (f runFlags) pairs(in io.Reader) ([]pair, error) {
	if len(f.ports) != len(f.labels) {
		return nil, usageError(fmt.Errorf("%d --port and %d --label: give one label for each port", len(f.ports), len(f.labels)))
	}
	var all []pair
	for i := range f.ports {
		all = append(all, pair{f.ports[i], f.labels[i]})
	}
	if f.list != "" {
		listed, err := readPairs(f.list, in)
		if err != nil {
			return nil, err
		}
		all = append(all, listed...)
	}
	if len(all) == 0 {
		return nil, usageError(errors.New("nothing to run: give --port and --label, or --list"))
	}
	for i, p := range all {
		if slices.ContainsFunc(all[:i], func(q pair) bool { return q.Label == p.Label && q.Port != p.Port }) {
			return nil, refusedError(fmt.Errorf("label %s is given for two ports: a label belongs to one unit", p.Label))
		}
	}
	return all, nil
}

func readPairs(name string, in io.Reader) ([]pair, error) {
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, fmt.Errorf("reading the list of units: %w", err)
		}
		defer f.Close()
		in = f
	}
	var all []pair
	lines := bufio.NewScanner(in)
	for n := 1; lines.Scan(); n++ {
		if len(lines.Bytes()) == 0 {
			continue
		}
		var p pair
		if err := json.Unmarshal(lines.Bytes(), &p); err != nil || p.Port == "" || p.Label == "" {
			return nil, fmt.Errorf("reading the list of units: line %d wants {\"port\":\"…\",\"label\":\"…\"}", n)
		}
		all = append(all, p)
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("reading the list of units: %w", err)
	}
	return all, nil
}

func runBatch(c *cobra.Command, where place, f runFlags) error {
	purpose := station.Purpose(f.purpose)
	if !slices.Contains(record.Purposes(), purpose) {
		return usageError(fmt.Errorf("purpose %q: use one of %v", f.purpose, record.Purposes()))
	}
	pairs, err := f.pairs(c.InOrStdin())
	if err != nil {
		return err
	}
	config, err := where.readConfig()
	if err != nil {
		return err
	}
	folder, err := where.storeFolder()
	if err != nil {
		return err
	}
	all, err := readCatalogue(config)
	if err != nil {
		return err
	}
	first, ok := all.of(pairs[0].Label)
	if !ok {
		first = all[0]
	}
	if f.revision != "" {
		wanted, err := all.revision(f.revision)
		if err != nil {
			return err
		}
		if wanted != first {
			return refusedError(fmt.Errorf("revision %s is of product %s, the label %s is not", f.revision, wanted.Product.Name, pairs[0].Label))
		}
	}
	ports, queues := byPort(pairs)
	local, err := all.onPorts(ports, f.nest)
	if err != nil {
		return err
	}
	b := newBatch(f.again, c.ErrOrStderr(), len(ports))
	for i := range queues {
		b.turns[i].labels = queues[i]
	}
	station1, err := newBench(benchOptions{
		config: config, folder: folder, files: local, first: local[slices.Index(all, first)], purpose: purpose,
		operator: f.operator, workOrder: f.workOrder, lot: f.lot, handsTime: f.hands, command: "panecal run", record: f.record,
		onVerdict: func(v station.Verdict) { b.verdicts <- v },
	})
	if err != nil {
		return err
	}
	b.bench = station1
	return b.finish(c, f.operator)
}

// finish runs the batch with its sign-on and sign-off, and turns what came of
// it into the command's end.
func (b *batch) finish(c *cobra.Command, operator string) error {
	err := b.bench.sign(operator, false)
	if err == nil {
		err = b.run(c.Context(), func(v station.Verdict) error { return printLine(c.OutOrStdout(), v) })
		// Signing off says that every verdict was seen. After a fault, of the
		// store above all, one may be in doubt: it is then shown again.
		if err == nil && b.worst != exitRunTime {
			err = b.bench.sign(operator, true)
		}
	}
	if err = errors.Join(err, b.bench.close()); err != nil {
		return err
	}
	if b.worst != exitDone {
		return &quietError{b.worst}
	}
	return nil
}

// byPort gathers the labels of each port, both in the order given.
func byPort(pairs []pair) (ports []string, queues [][]string) {
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
