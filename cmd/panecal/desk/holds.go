package desk

import (
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/store"
	"example.org/panecal/store/query"
)

// NewHolds makes `panecal holds`; open opens the log that it reads.
func NewHolds(open func() (*store.Follower, error)) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "holds",
		Short: "List the units on hold: since when, by whom and why",
		Long: `Lists every unit that is on hold, those that wait longest first. "decided" says
that only a decision takes it off hold, and that the station refuses it until
then; another hold ends when the unit is run again and passes. The command may
run while the station works.`,
		Example: "  panecal holds\n  panecal --data /mnt/copy holds --json",
		Args:    cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			log, err := open()
			if err != nil {
				return err
			}
			defer log.Close()
			h, err := query.OnHold(log, time.Now())
			if err != nil {
				return err
			}
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), h)
			}
			return h.WriteText(c.OutOrStdout())
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}
