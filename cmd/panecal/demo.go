package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/screen"
)

const (
	demoNests = 3
	demoSeed  = 54

	demoGraceMS = 2000
)

func newDemo() *cobra.Command {
	var show screenFlags
	var batchOnly, badge bool
	c := &cobra.Command{
		Use:   "demo",
		Short: "Show the station at work with simulated units, on a fresh store",
		Long: `Starts three simulated nests on pseudo-terminals and the operator's screen, on
a fresh store in a new folder. Type one of the labels that the screen lists, and
the simulated hands seat that unit. Without a terminal, or with --batch, every
unit is run once and its verdict printed; exit code 0 if each got the verdict it
has to get.

Units, plant and numbers are invented.`,
		Example: "  panecal demo\n  panecal demo --badge\n  panecal demo --batch",
		Args:    usageArgs(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			d, err := newDemonstration(c)
			if err != nil {
				return err
			}
			fmt.Fprintf(c.ErrOrStderr(), "panecal: the demonstration's files are in %s\n", d.folder)
			if batchOnly || !show.plain && (!isTerminal(c.InOrStdin()) || !isTerminal(c.OutOrStdout())) {
				return d.batch(c)
			}
			if badge {
				d.config.shift.badge, d.operator = regexp.MustCompile(`\A[0-9]{4,8}\z`), ""
			}
			return d.shift(c, show)
		},
	}
	show.register(c)
	c.Flags().BoolVar(&batchOnly, "batch", false, "run every unit once without the screen")
	c.Flags().BoolVar(&badge, "badge", false, "a whole shift, from the badge to the hand-over")
	return c
}

// demonstration is a station with simulated nests, and the hands at them.
type demonstration struct {
	rack
	folder   string
	where    place
	config   configuration
	files    catalogue
	operator string // "" for whoever scans a badge
}

func newDemonstration(c *cobra.Command) (*demonstration, error) {
	folder, err := os.MkdirTemp("", "panecal-demo-")
	if err != nil {
		return nil, fmt.Errorf("making a folder for the demonstration: %w", err)
	}
	d := &demonstration{folder: folder, where: place{data: folder}, rack: rack{acts: acts(simHandTime)}, operator: "demo"}
	if _, err := initStation(d.where, "demo-1", ""); err != nil {
		return nil, err
	}
	if err := cast(d.acts, demoSeed, simunit.Line{Baud: simBaud, Turnaround: simTurnaround}); err != nil {
		return nil, err
	}
	if err := d.attachNests(c.Context(), demoNests); err != nil {
		return nil, err
	}
	if err := d.writeSheet(); err != nil {
		return nil, err
	}
	if d.config, err = d.where.readConfig(); err != nil {
		return nil, err
	}
	// Units and station share this computer, which may be busy.
	d.config.GraceMS = demoGraceMS
	d.files, err = readCatalogue(d.config)
	return d, err
}

// writeSheet writes the station sheet that names the nests.
func (d *demonstration) writeSheet() error {
	var sheet strings.Builder
	fmt.Fprintf(&sheet, "# The nests of the demonstration; all invented.\nstation = \"demo-1\"\n[release]\nauthor = \"demonstration\"\nreason = \"demonstration\"\n")
	for i, port := range d.ports {
		fmt.Fprintf(&sheet, `
[[nest]]
name = "%c"
port = %q
light_group = "baffle %d"
fixture = "fixture %d"
distance_mm = %d
distance_u_mm = 0.15
reflectance = %g
certificate = "demo-%d"
due = 2036-01-31T00:00:00Z
end_stop = false
`, 'A'+i, port, i+1, i+1, simTargetMM, simReflectance, i+1)
	}
	path := filepath.Join(d.folder, "station.sheet.toml")
	if err := os.WriteFile(path, []byte(sheet.String()), 0o640); err != nil {
		return fmt.Errorf("writing the demonstration's station sheet: %w", err)
	}
	return nil
}

// free is a nest that the hands may use: the station sees it empty and so do
// they.
func (d *demonstration) free(s station.Snapshot) (int, bool) {
	for i, n := range s.Nests {
		if n.Step == station.Vacant && d.empty(i) {
			return i, true
		}
	}
	return 0, false
}

func (d *demonstration) bench(command string, onVerdict func(station.Verdict)) (*bench, error) {
	folder, err := d.where.storeFolder()
	if err != nil {
		return nil, err
	}
	return newBench(benchOptions{
		config: d.config, folder: folder, files: d.files, first: d.files[0], purpose: station.Production,
		operator: d.operator, workOrder: "WO-1", lot: "L-1", handsTime: 2 * time.Minute, command: command, onVerdict: onVerdict, temporary: true,
	})
}

// shift is the demonstration with the screen.
func (d *demonstration) shift(c *cobra.Command, show screenFlags) error {
	b, err := d.bench("panecal demo", nil)
	if err != nil {
		return err
	}
	var hints []screen.Hint
	for _, a := range d.acts {
		if !a.again {
			hints = append(hints, screen.Hint{Label: a.unit.Serial(), Note: a.note})
		}
	}
	at := shiftOf{config: d.config, operator: d.operator, workOrder: "WO-1", lot: "L-1", handOvers: filepath.Join(d.folder, "handover"), hints: hints}
	at.scan = func(nest int, text string) {
		b.scan(nest, text)
		// The hands take as long as hands do, and look for an empty nest.
		time.AfterFunc(2*simHandTime, func() {
			if i, ok := d.free(b.runner.Snapshot()); ok && b.runner.Snapshot().Label == text {
				d.seat(i, text)
			}
		})
	}
	err = b.shift(c, show, at)
	return errors.Join(err, b.close())
}

// batch runs every act once, three nests at a time, and holds the verdicts
// against what has to come.
func (d *demonstration) batch(c *cobra.Command) error {
	b := newBatch(true, c.ErrOrStderr(), demoNests)
	station1, err := d.bench("panecal demo --batch", func(v station.Verdict) { b.verdicts <- v })
	if err != nil {
		return err
	}
	b.bench, b.seat = station1, func(nest int, label string) { d.seat(nest, label) }
	// The unit that comes back is in the nest where it was first, after it.
	for i, a := range d.acts {
		nest := i % demoNests
		b.turns[nest].labels = append(b.turns[nest].labels, a.unit.Serial())
	}
	seen := map[string]int{}
	var wrong error
	err = b.run(c.Context(), func(v station.Verdict) error {
		wrong = errors.Join(wrong, d.judge(v, seen))
		return printLine(c.OutOrStdout(), v)
	})
	if err = errors.Join(err, b.bench.close()); err != nil {
		return err
	}
	total := 0
	for _, n := range seen {
		total += n
	}
	fmt.Fprintf(c.ErrOrStderr(), "panecal: %d verdicts of %d units; read one back with: panecal --data %s unit %s\n", total, len(d.acts), d.folder, d.acts[0].unit.Serial())
	switch {
	case wrong != nil:
		fmt.Fprintf(c.ErrOrStderr(), "panecal: not as expected:\n%v\n", wrong)
		return &quietError{exitFailed}
	case total != len(d.acts):
		return fmt.Errorf("the demonstration made %d verdicts, expected %d", total, len(d.acts))
	}
	return nil
}

// judge compares a verdict with the act that it belongs to: the n-th verdict
// of a serial with its n-th act.
func (d *demonstration) judge(v station.Verdict, seen map[string]int) error {
	n := seen[v.Serial]
	seen[v.Serial]++
	for _, a := range d.acts {
		if a.unit.Serial() != v.Serial {
			continue
		}
		if n == 0 {
			return a.expected(v)
		}
		n--
	}
	return fmt.Errorf("%s: a verdict too many", v.Serial)
}
