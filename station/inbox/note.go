package inbox

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"example.org/panecal/limits/release"
)

// noteKind is what a signed file says it is that holds a Note.
const noteKind = "note"

// Note is what somebody writes about a unit for the station to take up. The
// time makes two notes of the same words two notes.
type Note struct {
	Schema  string    `json:"schema"`
	Station string    `json:"station"` // that takes it up; no other does
	Serial  string    `json:"serial"`
	Text    string    `json:"text"`
	Time    time.Time `json:"time"` // when it was written, UTC
}

const (
	noteSchema    = "panecal.note/2"
	longestNote   = 2000 // characters
	longestSerial = 64
)

// NewNote makes a note of a text of up to 2000 characters for a station.
func NewNote(station, serial, text string, at time.Time) (Note, error) {
	n := Note{noteSchema, station, serial, text, at.UTC()}
	return n, n.check()
}

// Sign is the note as a signed file for a station's inbox.
func (n Note) Sign(key release.Key) []byte {
	body, err := json.Marshal(n)
	if err != nil {
		panic(err) // strings and a time
	}
	return key.SignFile(noteKind, body)
}

// check says what is wrong with a note, if anything is.
func (n Note) check() error {
	switch {
	case n.Schema != noteSchema:
		return fmt.Errorf("schema %q, not %q", n.Schema, noteSchema)
	case n.Station == "" || len(n.Station) > longestSerial || !plainText(n.Station):
		return fmt.Errorf("a note names its station, 1 to %d printable characters", longestSerial)
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
func readNote(body []byte) (Note, error) {
	var n Note
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	if err := d.Decode(&n); err == nil && n.Schema == "panecal.note/1" {
		return n, errors.New("it names no station, as notes of older programs do: write it again with this one")
	} else if err != nil {
		return n, fmt.Errorf("this is no note: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return n, errors.New("this is no note: something follows it")
	}
	return n, n.check()
}
