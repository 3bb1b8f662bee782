package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
)

// version is set by the linker; a build without it says so.
var version = "unknown"

// build tells what this program is made of.
type build struct {
	Schema   string `json:"schema"`
	Version  string `json:"version"`
	Revision string `json:"revision,omitempty"`
	Time     string `json:"time,omitempty"`
	Modified bool   `json:"modified"`
	Go       string `json:"go"`
	Platform string `json:"platform"`
}

func thisBuild() build {
	b := build{Schema: "panecal.version/1", Version: version, Go: runtime.Version(), Platform: runtime.GOOS + "/" + runtime.GOARCH}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return b
	}
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			b.Revision = s.Value
		case "vcs.time":
			b.Time = s.Value
		case "vcs.modified":
			b.Modified = s.Value == "true"
		}
	}
	return b
}

func newVersion() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:     "version",
		Short:   "Print version, revision and platform",
		Example: "  panecal version --json",
		Args:    cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			b := thisBuild()
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), b)
			}
			fmt.Fprintf(c.OutOrStdout(), "panecal %s (%s, %s)\n", b.Version, b.Go, b.Platform)
			return nil
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}
