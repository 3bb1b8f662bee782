package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/store/query"
)

func newUnit(where *place) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "unit SERIAL",
		Short: "Show the whole history of one unit",
		Long: `Shows every record about one unit: attempts with revisions, versions, station,
operator and every quantity with its uncertainty, refusals and changes of
disposition. It may run while the station works: it reads a private copy of the
index. Exit code 1 where the log knows no such unit.`,
		Example: "  panecal unit H54-00001-X\n  panecal --data /mnt/copy unit H54-00001-X --json",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			f, folder, err := where.follow()
			if err != nil {
				return err
			}
			defer f.Close()
			h, err := query.History(f, args[0])
			if err != nil {
				return fmt.Errorf("reading the log: %w", err)
			}
			if !h.Found {
				if err := where.remembered(folder, c.ErrOrStderr()); err != nil {
					return err
				}
				return fmt.Errorf("the log of station %s has nothing about %q: check the serial, or the station", folder, args[0])
			}
			if asJSON {
				err = cli.PrintJSON(c.OutOrStdout(), h)
			} else {
				err = h.WriteText(c.OutOrStdout())
			}
			return errors.Join(err, where.remembered(folder, c.ErrOrStderr()))
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}
