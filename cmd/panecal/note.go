package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"example.org/panecal/limits/release"
)

// noteKind is what a signed file says it is that holds a noteFile.
const noteKind = "note"

// noteFile is the body of a signed note. The time makes two notes of the same
// words two notes.
type noteFile struct {
	Schema string    `json:"schema"`
	Serial string    `json:"serial"`
	Text   string    `json:"text"`
	Time   time.Time `json:"time"` // when it was written, UTC
}

const (
	noteSchema    = "panecal.note/1"
	longestNote   = 2000 // characters
	longestSerial = 64
)

// check says what is wrong with a note, if anything is.
func (n noteFile) check() error {
	switch {
	case n.Schema != noteSchema:
		return fmt.Errorf("schema %q, not %q", n.Schema, noteSchema)
	case n.Serial == "" || len(n.Serial) > longestSerial || !plainText(n.Serial):
		return fmt.Errorf("a serial has 1 to %d printable characters", longestSerial)
	case strings.TrimSpace(n.Text) == "" || utf8.RuneCountInString(n.Text) > longestNote || !plainText(strings.ReplaceAll(n.Text, "\n", " ")):
		return fmt.Errorf("a note has 1 to %d printable characters", longestNote)
	case n.Time.IsZero():
		return errors.New("a note has a time")
	}
	return nil
}

func plainText(s string) bool {
	return utf8.ValidString(s) && !strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) })
}

// readNote reads the body of a signed note.
func readNote(body []byte) (noteFile, error) {
	var n noteFile
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	if err := d.Decode(&n); err != nil {
		return n, fmt.Errorf("this is no note: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return n, errors.New("this is no note: something follows it")
	}
	return n, n.check()
}

func newNote() *cobra.Command {
	var keyPath, out, passFile string
	c := &cobra.Command{
		Use:   "note SERIAL TEXT --key FILE --out FOLDER",
		Short: "Write a signed note about a unit, for a station to take up",
		Long: `Writes a note about a unit into FOLDER, signed with the key in FILE, for a
station's inbox: the folder inbox beside its store. A station that knows the
signer puts it on record when it starts and between units; ` + "`panecal unit`" + ` shows
it then. What a station does not take is in inbox/refused, with the reason.`,
		Example: "  panecal note H54-00001-O \"came back: scratch on the window\" --key 4711.key --out /srv/cal-1/inbox",
		Args:    usageArgs(cobra.ExactArgs(2)),
		RunE: func(c *cobra.Command, args []string) error {
			if keyPath == "" || out == "" {
				return usageError(fmt.Errorf("--key and --out are needed; see %s --help", c.CommandPath()))
			}
			n := noteFile{noteSchema, args[0], args[1], time.Now().UTC()}
			if err := n.check(); err != nil {
				return usageError(fmt.Errorf("writing a note: %w", err))
			}
			file, err := os.ReadFile(keyPath)
			if err != nil {
				return fmt.Errorf("reading a key: %w", err)
			}
			pass, err := askPassphrase(c, passFile, false)
			if err != nil {
				return err
			}
			key, err := release.OpenKey(file, pass)
			if err != nil {
				return err
			}
			body, err := json.Marshal(n)
			if err != nil {
				return fmt.Errorf("writing a note: %w", err)
			}
			name := filepath.Join(out, fmt.Sprintf("note-%s-%s.signed", n.Time.Format("20060102T150405.000000000Z"), key.Person))
			if err := writeNew(name+partial, key.SignFile(noteKind, body)); err != nil {
				return err
			}
			if err := os.Rename(name+partial, name); err != nil {
				return fmt.Errorf("writing a note: %w", err)
			}
			_, err = fmt.Fprintln(c.OutOrStdout(), name)
			return err
		},
	}
	c.Flags().StringVar(&keyPath, "key", "", "the signer's key; see panecal key new")
	c.Flags().StringVar(&out, "out", "", "folder for the note; it must exist")
	passphraseFlag(c, &passFile)
	return c
}
