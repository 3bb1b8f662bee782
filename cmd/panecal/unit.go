package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/store/query"
)

func newUnit(where *place) *cobra.Command {
	var asJSON, all bool
	station := ""
	c := &cobra.Command{
		Use:   "unit SERIAL",
		Short: "Show the whole history of one unit",
		Long: `Shows what happened to a unit in one timeline: attempts with bins, revisions,
station, nest, operator and how the check units of the nest stood, refusals, rework
and dispositions between them, and what the same unit did under another label. Then
come the last attempts side by side, with a * where something changed.

--all shows every line of every record, each quantity with its uncertainty, and the
zones as maps. --json has all of it. The serial may lack its check character. The
command may run while the station works. Exit code 1 where the log knows no such
unit.`,
		Example: "  panecal unit H54-00001-X\n  panecal unit h54-00001 --all\n  panecal --data /mnt/copy unit H54-00001-X --json",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			if strings.TrimSpace(args[0]) == "" {
				return cli.UsageError(errors.New("the serial is empty"))
			}
			f, remembered, err := where.sources().Past(station, c.ErrOrStderr())
			if err != nil {
				return err
			}
			defer f.Close()
			var h *query.Unit
			for _, serial := range desk.Serials(args[0]) {
				if h, err = query.History(f, serial); err != nil || h.Found {
					break
				}
			}
			if err == nil {
				err = h.AddChecks(f)
			}
			if err != nil {
				return fmt.Errorf("reading the log: %w", err)
			}
			if !h.Found {
				if err := remembered(); err != nil {
					return err
				}
				return fmt.Errorf("the log has nothing about %q: check the serial, or the station", args[0])
			}
			switch {
			case asJSON:
				err = cli.PrintJSON(c.OutOrStdout(), h)
			case all:
				err = h.WriteAll(c.OutOrStdout())
			default:
				err = h.WriteText(c.OutOrStdout(), where.zone())
			}
			return errors.Join(err, remembered())
		},
	}
	c.Flags().BoolVar(&all, "all", false, "every line of every record, and the zones as maps")
	c.Flags().StringVar(&station, "station", "", "of a history: what this station's log alone says")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}
