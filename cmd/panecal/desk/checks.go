package desk

import (
	"fmt"
	"slices"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/store"
	"example.org/panecal/store/query"
)

// NewChecks makes `panecal checks`; open opens the log that it reads.
func NewChecks(open func() (*store.Follower, error)) *cobra.Command {
	var asJSON bool
	var nest string
	c := &cobra.Command{
		Use:   "checks",
		Short: "List, for each nest, the units made since its last good check",
		Long: `Lists for each nest the last check unit that passed, those that did not pass
since, and the units whose newest attempt in production was made there since. A
unit that has run in another nest meanwhile stands with that one. The command may
run while the station works.`,
		Example: "  panecal checks\n  panecal checks --nest A --json",
		Args:    cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			log, err := open()
			if err != nil {
				return err
			}
			defer log.Close()
			all, err := query.SinceCheck(log)
			if err != nil {
				return err
			}
			if nest != "" {
				all.Nests = slices.DeleteFunc(all.Nests, func(n query.NestCheck) bool { return n.Nest != nest })
				if len(all.Nests) == 0 {
					return fmt.Errorf("nothing of this log was made in nest %q: check its name", nest)
				}
			}
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), all)
			}
			return all.WriteText(c.OutOrStdout())
		},
	}
	c.Flags().StringVar(&nest, "nest", "", "of this nest only")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	complete(c, "nest", nil)
	return c
}
