package main

import (
	"context"
	"errors"
	"os"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"example.org/panecal/station"
	"example.org/panecal/station/screen"
)

// screenFlags are how the station is shown.
type screenFlags struct {
	plain, ascii bool
}

func (f *screenFlags) register(c *cobra.Command) {
	c.Flags().BoolVar(&f.plain, "plain", false, "line by line, without boxes and redraw")
	c.Flags().BoolVar(&f.ascii, "ascii", false, "write nothing but ASCII")
}

func newShift(where *place) *cobra.Command {
	var show screenFlags
	var operator, workOrder, lot string
	c := &cobra.Command{
		Use:   "shift",
		Short: "Run the station with its screen",
		Long: `Runs every nest of the station sheet with the operator's screen. Scan a label,
seat the unit, follow the big letters. Ctrl-Q twice leaves; an attempt in hand
is ended safely and recorded as aborted.

The emitters are invisible laser radiation: treat them as on while a unit has
power. Keep hands out of moving fixtures. Handle open units only in an ESD
protected area. Local rules and the site's laser safety officer decide.`,
		Example: "  panecal shift --operator 4711\n  panecal shift --plain",
		Args:    usageArgs(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
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
			b, err := newBench(benchOptions{
				config: config, folder: folder, files: all, first: all[0], purpose: station.Production,
				operator: operator, workOrder: workOrder, lot: lot, command: "panecal shift",
			})
			if err != nil {
				return err
			}
			err = b.sign(operator, false)
			if err == nil {
				err = errors.Join(b.shift(c, show, nil, b.scan), b.sign(operator, true))
			}
			return errors.Join(err, b.close())
		},
	}
	show.register(c)
	c.Flags().StringVar(&operator, "operator", "", "who is at the station")
	c.Flags().StringVar(&workOrder, "work-order", "", "work order of the units")
	c.Flags().StringVar(&lot, "lot", "", "lot of the units")
	return c
}

// shift runs the station and its screen. The station outlives the screen: it
// ends when the operator leaves or the context does, not when the terminal
// stops reading. scan is told each label.
func (b *bench) shift(c *cobra.Command, show screenFlags, hints []screen.Hint, scan func(nest int, text string)) error {
	ctx, leave := context.WithCancelCause(c.Context())
	defer leave(nil)
	box := screen.NewMailbox()
	box.Put(b.runner.Snapshot())
	go func() {
		for s := range b.runner.Snapshots() {
			box.Put(s)
		}
	}()
	o := screen.Options{
		In: c.InOrStdin(), Out: c.OutOrStdout(), Snapshots: box, Hints: hints, ASCII: show.ascii,
		Send:  func(in screen.Input) { b.entered(in, scan) },
		Leave: func() { leave(errLeft) },
	}
	// The screen is given its own context, which ends after the station has:
	// it shows the way out.
	seen, closed := context.WithCancel(context.Background())
	defer closed()
	drawn := make(chan error, 1)
	go func() { drawn <- b.draw(seen, o, show) }()
	over := make(chan error, 1)
	go func() { over <- b.run(ctx) }()
	var err error
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

func (b *bench) draw(ctx context.Context, o screen.Options, show screenFlags) error {
	if show.plain || !isTerminal(o.In) || !isTerminal(o.Out) {
		return screen.RunPlain(ctx, o)
	}
	return screen.Run(ctx, o)
}

// entered hands what came in at the screen to the station.
func (b *bench) entered(in screen.Input, scan func(nest int, text string)) {
	switch in.Kind {
	case screen.Label:
		scan(station.NoNest, in.Text)
	case screen.Go:
		// "Go on" answers the sentence that the hands just read.
		b.runner.Go(b.runner.Snapshot().Hands.Nest)
	case screen.Skip:
		b.runner.Skip(in.Nest)
	}
}

func isTerminal(v any) bool {
	f, ok := v.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
