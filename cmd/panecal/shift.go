package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/staff"
	"example.org/panecal/station"
	"example.org/panecal/station/screen"
	"example.org/panecal/station/screen/term"
	"example.org/panecal/station/shift"
)

// screenFlags are how the station is shown.
type screenFlags struct {
	plain, ascii bool
	fullBlocks   bool
	language     string
}

func (f *screenFlags) register(c *cobra.Command) {
	c.Flags().BoolVar(&f.plain, "plain", false, "line by line, without boxes and redraw")
	c.Flags().BoolVar(&f.ascii, "ascii", false, "write nothing but ASCII")
	c.Flags().BoolVar(&f.fullBlocks, "full-blocks", false, "letters of full blocks, for terminals that show half blocks with gaps")
	c.Flags().StringVar(&f.language, "language", "", "of the operator's texts: "+strings.Join(screen.Languages(), ", ")+" (default: from the configuration, else en)")
}

// tongue is the language that the flag or the configuration asks for.
func (f *screenFlags) tongue(c configuration) (*screen.Language, error) {
	name := f.language
	if name == "" {
		name = c.Language
	}
	l, ok := screen.NewLanguage(name)
	if !ok {
		return nil, cli.UsageError(fmt.Errorf("there is no language %q: use one of %v", name, screen.Languages()))
	}
	return l, nil
}

func newShift(where *place) *cobra.Command {
	var show screenFlags
	var operator, workOrder, lot, record string
	c := &cobra.Command{
		Use:   "shift",
		Short: "Run the station with its screen",
		Long: `Runs every nest of the station sheet with the operator's screen. Scan a label,
seat the unit, follow the big letters. Ctrl-Q twice leaves; an attempt in hand
is ended safely and recorded as aborted.

Where the configuration says what a badge looks like (badge = "[0-9]{4,8}"),
operators sign on by scanning theirs, confirm the cautions, and scan work order
and lots; --operator signs on without a badge. Scanning the badge again signs
off: the hand-over is shown, and kept as a file beside the store.

Command labels, to print and hang up: CMD GO, CMD SKIP (twice), CMD HELP, CMD
ORDER, CMD NOTE, CMD HOLDS, CMD FIGURES, CMD PAUSE, CMD
UNREADABLE, CMD RELABEL, CMD OFF, CMD POWER OFF (twice: the nest has no power,
where a unit did not say that its emitter is off), CMD HOLD with a reason and
CMD REWORK with a code for a unit whose label is open. Enter, Space or a foot
pedal that sends one of them say "go on" too.

The emitters are invisible laser radiation: treat them as on while a unit has
power. Keep hands out of moving fixtures. Handle open units only in an ESD
protected area. Local rules and the site's laser safety officer decide.`,
		Example: "  panecal shift --operator 4711\n  panecal shift --plain --language es",
		Args:    cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			of, err := where.premises(operator)
			if err != nil {
				return err
			}
			config, all := of.config, of.files
			if _, err := show.tongue(config); err != nil {
				return err
			}
			if config.rules.checkUnits, err = config.checkedUnits(all); err != nil {
				return err
			}
			config.rules.Book = of.book
			w, err := openWorkplace(workplaceOptions{
				config: config, book: of.book, arrivals: true, folder: of.folder, files: all, first: all[0], purpose: station.Production,
				operator: operator, workOrder: workOrder, lot: lot, command: "panecal shift", rules: config.rules, record: record,
			})
			if err != nil {
				return err
			}
			at := shiftOf{config: config, operator: operator, workOrder: workOrder, lot: lot,
				handOvers: staff.HandOverFolder(of.folder)}
			return errors.Join(w.withScreen(c, show, at), w.close())
		},
	}
	show.register(c)
	c.Flags().StringVar(&operator, "operator", "", "who is at the station; nobody is asked for a badge then")
	c.Flags().StringVar(&workOrder, "work-order", "", "work order of the units")
	c.Flags().StringVar(&lot, "lot", "", "lot of the units")
	c.Flags().StringVar(&record, "record", "", "write everything that goes over the lines into this file, for panecal replay (several nests: FILE-NEST each)")
	return c
}

// shiftOf is what one shift is told at its start.
type shiftOf struct {
	config                   configuration
	operator, workOrder, lot string
	handOvers                string // folder, "" for none
	hints                    []screen.Hint
	handed                   func(text string) // see shift.Options
}

// withScreen runs the station and its screen. The station outlives the screen: it
// ends when the operator leaves or the context does, not when the terminal
// stops reading.
func (w *workplace) withScreen(c *cobra.Command, show screenFlags, at shiftOf) (err error) {
	lang, err := show.tongue(at.config)
	if err != nil {
		return err
	}
	ctx, leave := context.WithCancelCause(c.Context())
	defer leave(nil)
	box := screen.NewMailbox()
	box.Put(w.runner.Snapshot())
	kept := staff.HandOvers{Folder: at.handOvers, Language: lang, ASCII: show.ascii}
	at.config.rules.Book = w.book.Load()
	people := shift.New(shift.Options{Station: w.runner, Intake: w.intake, Past: w.store, Rules: at.config.rules.Rules, Operator: at.operator, Lot: at.lot,
		Recent: w.recent, Settings: shift.Resumed(w.recent, at.workOrder), Software: version, Cautions: lang.Cautions(), Show: box.Show, HandOver: kept.Keep, Handed: at.handed, Hold: w.hold})
	w.people.Store(people)
	w.start(func() error {
		// Should it fail, nobody would see what the station does.
		defer leave(errLeft)
		for s := range w.runner.Snapshots() {
			box.Put(s)
			people.Tick()
		}
		return nil
	})
	letters := term.HalfBlocks
	if show.fullBlocks {
		letters = term.FullCells
	}
	o := screen.Options{
		Letters: letters,
		In:      c.InOrStdin(), Out: cli.Beneath(c.OutOrStdout()).(io.Writer), Snapshots: box, Hints: at.hints, ASCII: show.ascii,
		Language: lang, Bell: at.config.Bell, Takt: at.config.rules.Takt,
		Send:  people.Enter,
		Leave: func() { leave(errLeft) }, Panicked: w.crashes.Caught,
	}
	// The screen is given its own context, which ends after the station has:
	// it shows the way out.
	seen, closed := context.WithCancel(context.Background())
	defer closed()
	if at.config.Scanner != "" {
		o.Scanner = newScanner(seen, at.config.Scanner, at.config.ScannerBaud, people.Scanner)
	}
	over := w.start(func() error { return w.run(ctx) })
	if err := people.Begin(); err != nil {
		leave(err)
		return errors.Join(err, <-over)
	}
	defer func() {
		h, endErr := people.End(err == nil)
		kept.Tell(c.ErrOrStderr(), h, endErr == nil)
		err = errors.Join(err, endErr)
	}()
	drawn := w.start(func() error { return w.draw(seen, o, show) })
	select {
	case err = <-over:
	case screenErr := <-drawn:
		// The screen is gone, because the operator left or it could not be
		// drawn: nobody can see what the station does, so it ends too.
		leave(errLeft)
		return errors.Join(<-over, screenErr)
	}
	closed()
	screenErr := <-drawn
	if errors.Is(screenErr, context.Canceled) {
		screenErr = nil
	}
	return errors.Join(err, screenErr)
}

var errLeft = errors.New("the operator left")

func (w *workplace) draw(ctx context.Context, o screen.Options, show screenFlags) error {
	if show.plain || !isTerminal(o.In) || !isTerminal(o.Out) {
		return screen.RunPlain(ctx, o)
	}
	return screen.Run(ctx, o)
}

func isTerminal(v any) bool {
	_, ok := cli.Terminal(v)
	return ok
}
