package proposing

import (
	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/store"
)

// New makes `panecal limits propose`; open opens the log that it reads.
func New(open func() (*store.Follower, error)) *cobra.Command {
	c := &cobra.Command{
		Use:   "propose",
		Short: "Propose limits: from data, from the requirement, from the window's drawing",
		Long: `Three ways to a limit, which answer three questions:

  screening    what is usual? From recorded attempts; says nothing of what the
               product needs.
  requirement  from which leakage on does the range miss what the product
               promises? Needs no data of units.
  window       which leakage will the window have? Needs only its drawing.

What is proposed is released by the same way as any other: draft, review, release.`,
		Example: "  panecal limits propose screening hopper-54.limits.toml --out screening.limits.toml\n  panecal limits propose requirement hopper-54.product.toml --sheet station.sheet.toml --limits hopper-54.limits.toml\n  panecal limits propose window pane.toml",
		Args:    cli.Args(cobra.NoArgs),
		RunE:    func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newScreening(open), newRequirement(), newWindow())
	return c
}

const proposalSchema = "panecal.proposal/1"
