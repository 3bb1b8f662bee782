package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/plant"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/batch"
	"example.org/panecal/station/papers"
	"example.org/panecal/station/screen"
)

const (
	demoNests = 3
	demoSeed  = 54

	demoStation = "demo-1"

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
		Args:    cli.Args(cobra.NoArgs),
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
				d.config.rules.Badge, d.operator = regexp.MustCompile(`\A[0-9]{4,8}\z`), ""
			}
			return d.withScreen(c, show)
		},
	}
	show.register(c)
	c.Flags().BoolVar(&batchOnly, "batch", false, "run every unit once without the screen")
	c.Flags().BoolVar(&badge, "badge", false, "a whole shift, from the badge to the hand-over")
	return c
}

// demonstration is a station with simulated nests, and the hands at them.
type demonstration struct {
	plant.Rack
	folder   string
	where    place
	config   configuration
	files    papers.Catalogue
	operator string // "" for whoever scans a badge
}

func newDemonstration(c *cobra.Command) (*demonstration, error) {
	folder, err := os.MkdirTemp("", "panecal-demo-")
	if err != nil {
		return nil, fmt.Errorf("making a folder for the demonstration: %w", err)
	}
	d := &demonstration{folder: folder, where: place{data: folder}, Rack: plant.Rack{Acts: plant.Acts(plant.HandTime)}, operator: "demo"}
	if _, err := initStation(d.where, demoStation, ""); err != nil {
		return nil, err
	}
	if err := plant.Cast(d.Acts, demoSeed, simunit.Line{Baud: plant.Baud, Turnaround: plant.Turnaround}); err != nil {
		return nil, err
	}
	if err := d.Attach(c.Context(), demoNests); err != nil {
		return nil, cli.DeviceError(err)
	}
	if err := os.WriteFile(filepath.Join(folder, "station.sheet.toml"), d.Sheet(demoStation), 0o640); err != nil {
		return nil, fmt.Errorf("writing the demonstration's station sheet: %w", err)
	}
	if d.config, err = d.where.readConfig(); err != nil {
		return nil, err
	}
	// Units and station share this computer, which may be busy.
	d.config.GraceMS = demoGraceMS
	d.files, err = d.config.catalogue()
	return d, err
}

// free is a nest that the hands may use: the station sees it empty and so do
// they.
func (d *demonstration) free(s station.Snapshot) (int, bool) {
	for i, n := range s.Nests {
		if n.Step == station.Vacant && d.Empty(i) {
			return i, true
		}
	}
	return 0, false
}

func (d *demonstration) workplace(command string, onVerdict func(station.Verdict)) (*workplace, error) {
	folder, err := d.where.storeFolder()
	if err != nil {
		return nil, err
	}
	return openWorkplace(workplaceOptions{
		config: d.config, folder: folder, files: d.files, first: d.files[0], purpose: station.Production,
		operator: d.operator, workOrder: "WO-1", lot: "L-1", handsTime: 2 * time.Minute, command: command, onVerdict: onVerdict, temporary: true,
	})
}

// withScreen is the demonstration with the screen.
func (d *demonstration) withScreen(c *cobra.Command, show screenFlags) error {
	w, err := d.workplace("panecal demo", nil)
	if err != nil {
		return err
	}
	var hints []screen.Hint
	for _, a := range d.Acts {
		if !a.Again {
			hints = append(hints, screen.Hint{Label: a.Unit.Serial(), Note: a.Note})
		}
	}
	at := shiftOf{config: d.config, operator: d.operator, workOrder: "WO-1", lot: "L-1", handOvers: filepath.Join(d.folder, "handover"), hints: hints}
	at.handed = func(text string) {
		// The hands take as long as hands do, and look for an empty nest.
		time.AfterFunc(2*plant.HandTime, func() {
			if i, ok := d.free(w.runner.Snapshot()); ok && w.runner.Snapshot().Label == text {
				d.Seat(i, text)
			}
		})
	}
	err = w.withScreen(c, show, at)
	return errors.Join(err, w.close())
}

// batch runs every act once, three nests at a time, and holds the verdicts
// against what has to come.
func (d *demonstration) batch(c *cobra.Command) error {
	verdicts := make(chan station.Verdict, 256)
	w, err := d.workplace("panecal demo --batch", func(v station.Verdict) { verdicts <- v })
	if err != nil {
		return err
	}
	// The unit that comes back is in the nest where it was first, after it.
	queues := make([][]string, demoNests)
	for i, a := range d.Acts {
		queues[i%demoNests] = append(queues[i%demoNests], a.Unit.Serial())
	}
	critic := plant.NewCritic(d.Acts)
	var wrong error
	o := batch.Options{Queues: queues, Verdicts: verdicts, Again: true, Seat: func(nest int, label string) { d.Seat(nest, label) }}
	err = w.batch(c, o, func(v station.Verdict) error {
		wrong = errors.Join(wrong, critic.Judge(v))
		return cli.PrintLine(c.OutOrStdout(), v)
	})
	var quiet *cli.QuietError // that a unit failed is part of the demonstration
	if err != nil && !errors.As(err, &quiet) {
		return err
	}
	total := critic.Seen()
	fmt.Fprintf(c.ErrOrStderr(), "panecal: %d verdicts of %d units; read one back with: panecal --data %s unit %s\n", total, len(d.Acts), d.folder, d.Acts[0].Unit.Serial())
	switch {
	case wrong != nil:
		fmt.Fprintf(c.ErrOrStderr(), "panecal: not as expected:\n%v\n", wrong)
		return &cli.QuietError{Code: cli.ExitFailed}
	case total != len(d.Acts):
		return fmt.Errorf("the demonstration made %d verdicts, expected %d", total, len(d.Acts))
	}
	return nil
}
