package screen

import (
	"errors"
	"fmt"
	"io"
	"time"

	"example.org/panecal/station/screen/term"
	"example.org/panecal/station/shift"
)

// ErrNoTerminal says that Run was given something that is no terminal to draw
// on.
var ErrNoTerminal = errors.New("no terminal to draw on")

// Hint is a label that the screen offers for typing, for units that have no
// scanner in front of them. A hint goes when its label has been entered.
type Hint struct {
	Label string
	Note  string // what it shows, "" for nothing
}

// String returns the hint as it is shown.
func (h Hint) String() string {
	if h.Note == "" {
		return h.Label
	}
	return fmt.Sprintf("%s (%s)", h.Label, h.Note)
}

// Options say what a screen works with. In and Out stay the caller's to
// close.
type Options struct {
	In  io.Reader // keys and scans; nil for none
	Out io.Writer
	// Scanner is a scanner with a port of its own, nil for none. It sends labels
	// and command labels, never keys.
	Scanner io.Reader

	Snapshots *Mailbox
	// Send takes what was entered, one call after the other, in order, from a
	// goroutine of the screen. It may wait. What comes while thousands wait is
	// refused on the screen.
	Send func(shift.Input)
	// Leave is called once when the operator has confirmed to leave. The
	// screen stays until a snapshot is Closed. Nil: the screen ends at once.
	Leave func()
	// Panicked is told of a panic in one of the screen's goroutines, from there;
	// Run then returns ErrPanic. Nil for nobody.
	Panicked func(what any, stack []byte)

	Hints    []Hint
	Language *Language        // nil: English
	Bell     bool             // ring the terminal's bell at each verdict
	Takt     float64          // units an hour that are wanted, shown beside what is; 0 for none
	ASCII    bool             // nothing but ASCII is written
	Letters  term.Letters     // of full cells where the terminal shows half blocks badly
	Colour   *term.Depth      // nil: as the environment and Out say
	Now      func() time.Time // nil: time.Now; only differences count
}

func (o *Options) defaults() {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Colour == nil {
		d := term.DepthOf(o.Out)
		o.Colour = &d
	}
	if o.Language == nil {
		o.Language, _ = NewLanguage("")
	}
	if o.Send == nil {
		o.Send = func(shift.Input) {}
	}
	if o.Panicked == nil {
		o.Panicked = func(any, []byte) {}
	}
	if o.Snapshots == nil {
		o.Snapshots = NewMailbox()
	}
}
