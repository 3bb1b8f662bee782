// Package samples holds the sub-command that writes sample files for the computer
// that a station runs on: units of systemd for its screen and its backups. It is
// data and a way to copy it; nothing here changes a system.
package samples

import (
	"embed"
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/files"
	"example.org/panecal/limits/visible"
)

//go:embed files
var embedded embed.FS

// written is what the command tells.
type written struct {
	Schema string   `json:"schema"`
	Files  []string `json:"files"`
}

// New makes the sub-command.
func New() *cobra.Command {
	var out string
	var asJSON bool
	c := &cobra.Command{
		Use:   "samples --out DIR",
		Short: "Write sample files for the station's computer",
		Long: `Writes samples of what the plant's IT sets up on the station's computer into a
folder: systemd units for the operator's screen on a terminal of its own, and
for a backup each night. Nothing that exists is overwritten, and nothing is
installed: look at every line first.`,
		Example: "  panecal samples --out units",
		Args:    cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			if out == "" {
				return cli.UsageError(fmt.Errorf("give the folder with --out"))
			}
			w, err := write(out)
			if err != nil {
				return err
			}
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), w)
			}
			for _, path := range w.Files {
				fmt.Fprintln(c.OutOrStdout(), visible.Text(path))
			}
			return nil
		},
	}
	c.Flags().StringVar(&out, "out", "", "folder that the files go into")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

func write(out string) (written, error) {
	w := written{Schema: "panecal.samples/1"}
	entries, err := embedded.ReadDir("files")
	if err != nil {
		return w, fmt.Errorf("reading the samples: %w", err)
	}
	if err := os.MkdirAll(out, 0o750); err != nil {
		return w, fmt.Errorf("writing the samples: %w", err)
	}
	for _, e := range entries {
		data, err := embedded.ReadFile("files/" + e.Name())
		if err != nil {
			return w, fmt.Errorf("reading the samples: %w", err)
		}
		path := filepath.Join(out, e.Name())
		if err := files.WriteNew(path, data); err != nil {
			return w, err
		}
		w.Files = append(w.Files, path)
	}
	return w, nil
}
