package desk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/lipgloss"
	xterm "github.com/charmbracelet/x/term"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/screen/term"
)

// ErrNoTerminal says that there is no terminal to draw on.
var ErrNoTerminal = errors.New("no terminal to draw on")

// Options say what the desk works with. In, Out and Log stay the caller's to
// close.
type Options struct {
	In       io.Reader
	Out      io.Writer
	Log      Log
	File     *limits.File   // nil: the limits in force
	Choice   string         // flags of `panecal export` to begin with
	Quantity quantity.Name  // to begin with; "": that of the first limit
	ASCII    bool           // nothing but ASCII is drawn
	Colour   *term.Depth    // nil: as the environment and Out say
	Location *time.Location // of days and hours; nil: this computer's
}

func (o *Options) renderer() *lipgloss.Renderer {
	depth := o.Colour
	if depth == nil {
		d := term.DepthOf(o.Out)
		depth = &d
	}
	return term.Renderer(*depth)
}

// Run shows the desk until its reader leaves or ctx is cancelled, whose cause it
// returns then.
func Run(ctx context.Context, o Options) error {
	if f, ok := o.Out.(*os.File); ok && !xterm.IsTerminal(f.Fd()) {
		return ErrNoTerminal
	}
	if o.Location == nil {
		o.Location = time.Local
	}
	inner, end := context.WithCancel(ctx)
	m := newModel(inner, &o)
	m.every = 10 * time.Second
	_, err := tea.NewProgram(m, tea.WithContext(inner), tea.WithInput(o.In), tea.WithOutput(o.Out), tea.WithAltScreen(), tea.WithoutSignalHandler()).Run()
	end()
	m.busy.Lock() // until what reads has ended
	defer m.busy.Unlock()
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if err != nil {
		return fmt.Errorf("using the terminal: %w", err)
	}
	return nil
}

// Titles are the names of the pages, for Print.
func Titles() (list []string) {
	for _, p := range pages(true) {
		list = append(list, p.Title())
	}
	return list
}

// Print draws one page as it is at the start, for where there is no terminal.
func Print(ctx context.Context, o Options, page, width, height int) (string, error) {
	if o.Location == nil {
		o.Location = time.Local
	}
	none := term.Colourless
	o.Colour = &none
	m := newModel(ctx, &o)
	m.width, m.height = width, height
	r, err := read(ctx, o.Log, o.Choice, o.File, o.Quantity, func(int, int) {})
	if err != nil {
		return "", err
	}
	m.wasRead(wasRead{reading: r})
	m.turn(page)
	return m.View() + "\n", m.failure
}
