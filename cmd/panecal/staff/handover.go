package staff

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/files"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station/screen"
	"example.org/panecal/station/screen/term"
	"example.org/panecal/station/shift"
)

// HandOvers are files of what one person left to the next, in a folder beside
// the store.
type HandOvers struct {
	Folder   string // "" for none
	Language *screen.Language
	ASCII    bool   // what is told on the way out has nothing else
	last     string // the newest file
}

// Keep writes a hand-over into a file of its own.
func (o *HandOvers) Keep(h shift.HandOver) error {
	if o.Folder == "" {
		return nil
	}
	if err := os.MkdirAll(o.Folder, 0o750); err != nil {
		return fmt.Errorf("making the folder of hand-overs: %w", err)
	}
	stem := filepath.Join(o.Folder, h.To.UTC().Format(handOverName))
	if h.Named {
		stem += "-" + strings.Map(inName, h.Person)
	}
	data, err := h.JSON()
	if err == nil {
		err = files.WriteNew(stem+".json", append(data, '\n'))
	}
	if err == nil {
		err = files.WriteNew(stem+".txt", []byte(o.text(h)+"\n"))
	}
	if err != nil {
		return fmt.Errorf("writing the hand-over: %w", err)
	}
	o.last = stem + ".txt"
	return nil
}

// handOverName is how the files of a hand-over are named, so that the newest is the
// last.
const handOverName = "2006-01-02T15-04-05.000Z"

func inName(r rune) rune {
	if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' {
		return r
	}
	return '_'
}

// HandOverFolder is where the hand-overs of the station with that store are kept.
func HandOverFolder(store string) string { return filepath.Join(filepath.Dir(store), "handover") }

// NewHandOver is the sub-command handover; where finds the store.
func NewHandOver(where func() (string, error)) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "handover",
		Short: "Print the newest hand-over of a shift",
		Long: `Prints what the last shift left to the next: its figures, the units on hold,
the stops in force and who lifted the others. Hand-overs are kept as files
beside the store, as text and as panecal.handover/1; times are the site's, with
their offset.`,
		Example: "  panecal handover\n  panecal handover --json",
		Args:    cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			at, err := where()
			if err != nil {
				return err
			}
			folder := HandOverFolder(at)
			suffix := map[bool]string{true: ".json", false: ".txt"}[asJSON]
			all, err := filepath.Glob(filepath.Join(folder, "*"+suffix))
			if err != nil || len(all) == 0 {
				return errors.Join(err, fmt.Errorf("no hand-over in %s: one is kept when somebody signs off", folder))
			}
			data, err := os.ReadFile(slices.Max(all))
			if err != nil {
				return fmt.Errorf("reading the hand-over: %w", err)
			}
			_, err = c.OutOrStdout().Write(data)
			return err
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "one panecal.handover/1 object")
	return c
}

func (o *HandOvers) text(h shift.HandOver) string { return strings.Join(o.Language.HandOver(h), "\n") }

// Tell says the hand-over on the way out, nil for none.
func (o *HandOvers) Tell(talk io.Writer, h *shift.HandOver, sound bool) {
	if h == nil {
		return
	}
	text := o.text(*h)
	if o.ASCII {
		text = strings.ReplaceAll(strings.Map(term.Plainest, term.Spell(strings.ReplaceAll(text, "\n", "\x00"))), "\x00", "\n")
	}
	fmt.Fprintln(talk, text)
	if o.last != "" && sound {
		fmt.Fprintf(talk, "panecal: the hand-over is in %s\n", visible.Text(o.last))
	}
}
