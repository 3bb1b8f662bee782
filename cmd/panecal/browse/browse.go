package browse

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	screen "example.org/panecal/station/screen/desk"
	"example.org/panecal/store"
)

// New makes `panecal browse`. open opens the log that it reads, site is the zone that
// people read times in, dossier writes the report about a unit into a file.
func New(open func() (*store.Follower, error), site func() *time.Location, dossier func(ctx context.Context, serial, path string) error) *cobra.Command {
	ascii, page, size := false, "", "80x24"
	titles := screen.BrowseTitles()
	for i, t := range titles {
		titles[i] = strings.ToLower(t)
	}
	c := &cobra.Command{
		Use:   "browse [SERIAL]",
		Short: "Look through attempts: find, timeline, zone maps, histograms, comparison",
		Long: `Shows the attempts of a log on the terminal, the newest first, and pages about the one
that is taken from the list: the timeline of its unit, maps of its zones, the histogram
of any zone with what was fitted to it, and how it stands among its population. /
looks for a serial or a part of one, or takes flags of ` + "`panecal find`" + `; y copies the
page; d writes the unit's dossier. ? tells all keys. It only reads, and may run while
the station works.

--print draws one page (` + strings.Join(titles, ", ") + `), of the newest attempt
found, and ends; it needs no terminal. For other programs there are find, unit, picture,
compare and dossier.`,
		Example: `  panecal browse
  panecal browse h54-00001
  panecal --data /mnt/copy browse --ascii
  panecal browse H54-00001-O --print timeline --size 120x40
  panecal browse --print find -- "--outcome failed --nest B"`,
		Args: cli.Args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			o := screen.BrowseOptions{In: c.InOrStdin(), Out: cli.Beneath(c.OutOrStdout()).(io.Writer), ASCII: ascii, Location: site()}
			if len(args) > 0 {
				if o.Find = strings.TrimSpace(args[0]); o.Find == "" {
					return cli.UsageError(errors.New("the serial is empty: give a serial or a part of one, or leave it out"))
				}
			}
			var wide, high int
			if _, err := fmt.Sscanf(size, "%dx%d", &wide, &high); err != nil || wide < 1 || wide > 1000 || high < 1 || high > 1000 {
				return cli.UsageError(fmt.Errorf("--size %q: write columns and rows, as in 120x40", size))
			}
			at := slices.Index(titles, page)
			if page != "" && at < 0 {
				return cli.UsageError(fmt.Errorf("--print %q: one of %s", page, strings.Join(titles, ", ")))
			}
			log, err := open()
			if err != nil {
				return err
			}
			defer log.Close()
			noTerminal := cli.UsageError(errors.New("browse needs a terminal: --print PAGE draws one page without; find, unit, picture, compare and dossier answer programs"))
			if _, terminal := cli.Terminal(c.OutOrStdout()); page == "" && !terminal {
				return noTerminal
			}
			o.Past = &past{log: log, site: o.Location, dossier: dossier}
			if page != "" {
				text, err := screen.PrintBrowse(c.Context(), o, at, wide, high)
				if errors.Is(err, store.ErrDamaged) {
					return &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("reading the log: %w; `panecal log check` shows all of it", err)}
				}
				if err != nil {
					return err
				}
				_, err = io.WriteString(c.OutOrStdout(), text)
				return err
			}
			err = screen.Browse(c.Context(), o)
			if errors.Is(err, screen.ErrNoTerminal) {
				return noTerminal
			}
			return err
		},
	}
	c.Flags().BoolVar(&ascii, "ascii", false, "draw with nothing but ASCII")
	c.Flags().StringVar(&page, "print", "", "draw this page and end: "+strings.Join(titles, ", "))
	c.Flags().StringVar(&size, "size", size, "columns and rows of --print")
	for flag, values := range map[string][]string{"print": titles, "size": nil} {
		if err := c.RegisterFlagCompletionFunc(flag, cobra.FixedCompletions(values, cobra.ShellCompDirectiveNoFileComp)); err != nil {
			panic(err) // the flag was added before
		}
	}
	return c
}
