package main

import (
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/cmd/panecal/proposing"
	"example.org/panecal/cmd/panecal/signing"
	"example.org/panecal/limits"
)

func newLimits(where *place) *cobra.Command {
	c := &cobra.Command{
		Use:   "limits",
		Short: "Check limits files, and release limits, products and station sheets",
		Args:  cli.Args(cobra.NoArgs),
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(append(signing.ReleaseCommands(), newLimitsCheck(), signing.NewShow(where.log), desk.NewTry(where.history), proposing.New(where.log))...)
	return c
}

func newLimitsCheck() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "check FILE",
		Short: "Check a limits file, and tell the false rejects it would cause",
		Long: `Reads a limits file as the station would. Every mistake is told with its
place and how to mend it (exit code 1). - is standard input. A good file is shown with its
revision, the interval in which a typical measurement is accepted, and the
false rejects and false accepts expected at the typical values it states.`,
		Example: "  panecal limits check hopper-54.limits.toml\n  panecal limits check --json hopper-54.limits.toml",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			data, err := cli.ReadArgument(c, args[0])
			if err != nil {
				return fmt.Errorf("reading the limits file: %w", err)
			}
			f, err := limits.Read(filepath.Base(args[0]), data)
			if err != nil {
				return fmt.Errorf("the limits file cannot be used:\n%w", err)
			}
			report := limits.Check(f)
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), report)
			}
			return report.WriteText(c.OutOrStdout())
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}
