package staff

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"example.org/panecal/cmd/panecal/files"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station/screen"
	"example.org/panecal/station/shift"
)

// HandOvers are files of what one person left to the next, in a folder beside
// the store.
type HandOvers struct {
	Folder   string // "" for none
	Language *screen.Language
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
	who := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '_'
	}, h.Person)
	name := filepath.Join(o.Folder, time.Now().UTC().Format("2006-01-02T15-04-05Z")+"-"+who+".txt")
	if err := files.WriteNew(name, []byte(o.text(h)+"\n")); err != nil {
		return fmt.Errorf("writing the hand-over: %w", err)
	}
	o.last = name
	return nil
}

func (o *HandOvers) text(h shift.HandOver) string { return strings.Join(o.Language.HandOver(h), "\n") }

// Tell says the hand-over on the way out, nil for none.
func (o *HandOvers) Tell(talk io.Writer, h *shift.HandOver, sound bool) {
	if h == nil {
		return
	}
	fmt.Fprintln(talk, o.text(*h))
	if o.last != "" && sound {
		fmt.Fprintf(talk, "panecal: the hand-over is in %s\n", visible.Text(o.last))
	}
}
