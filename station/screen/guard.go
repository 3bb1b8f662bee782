package screen

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime/debug"

	tea "github.com/charmbracelet/bubbletea"

	"example.org/panecal/station/screen/term"
)

// ErrPanic says that the screen itself failed. The terminal was given back as
// it was, and Options.Panicked was told of it.
var ErrPanic = errors.New("the screen failed")

// guard takes in every panic of the screen's goroutines: the screen ends, and
// whoever runs it ends the station.
type guard struct {
	told func(what any, stack []byte)
	end  context.CancelCauseFunc
}

// do runs fn.
func (g guard) do(fn func()) {
	defer func() {
		if p := recover(); p != nil {
			g.told(p, debug.Stack())
			g.end(fmt.Errorf("%w: %v", ErrPanic, p))
		}
	}()
	fn()
}

// start runs fn in a goroutine of its own.
func (g guard) start(fn func()) { go g.do(fn) }

// ended is how a screen ends whose context has: by its own fault, or as it was
// told.
func ended(ctx context.Context) error {
	if cause := context.Cause(ctx); errors.Is(cause, ErrPanic) {
		return cause
	}
	return ctx.Err()
}

// guardedModel keeps panics from the terminal library, which would write the
// stack over the screen and keep it to itself.
type guardedModel struct {
	tea.Model
	guard guard
}

func (m guardedModel) Update(msg tea.Msg) (_ tea.Model, cmd tea.Cmd) {
	m.guard.do(func() { _, cmd = m.Model.Update(msg) })
	return m, cmd
}

func (m guardedModel) View() (text string) {
	m.guard.do(func() { text = m.Model.View() })
	return text
}

// guardedReader is read in a goroutine of the terminal library.
type guardedReader struct {
	io.Reader
	guard guard
}

func (r guardedReader) Read(p []byte) (n int, err error) {
	err = io.EOF // after a panic
	r.guard.do(func() { n, err = r.Reader.Read(p) })
	return n, err
}

// guardedInput is a guardedReader that stays the terminal's file.
type guardedInput struct {
	*term.Input
	guard guard
}

func (r guardedInput) Read(p []byte) (int, error) { return guardedReader{r.Input, r.guard}.Read(p) }
