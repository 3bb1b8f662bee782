package main

import (
	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/logs"
)

func newLog(where *place) *cobra.Command {
	c := &cobra.Command{
		Use:   "log",
		Short: "Check, copy, prove and rebuild the station's log",
		Args:  cli.Args(cobra.NoArgs),
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	find := func() (logs.Log, error) { return where.wholeLog() } // once the flags are read
	c.AddCommand(logs.NewCheck(find, noteLogCheck), logs.NewBackup(find), logs.NewRebuild(find), logs.NewProve(find), logs.NewVerify())
	return c
}
