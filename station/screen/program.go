package screen

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"time"

	tea "github.com/charmbracelet/bubbletea"
	xterm "github.com/charmbracelet/x/term"

	"example.org/panecal/station"
	"example.org/panecal/station/screen/term"
	"example.org/panecal/station/shift"
)

const (
	redraw          = 100 * time.Millisecond // the least time between two pictures
	framesPerSecond = 30                     // how often the terminal library looks for a new one
	waiting         = 4096                   // entries that may wait for Send
	grace           = time.Second            // for the terminal library to end after a cancel
)

// Run shows the station until the operator leaves, a snapshot is Closed, or
// ctx is cancelled. It takes the whole terminal and gives it back as it was.
// Out may be something else than a file; it is taken for a terminal of 80x24
// then.
//
// Run handles no signals: cancel ctx. A terminal that has stopped reading
// keeps Run from drawing, but not from returning after a cancel.
func Run(ctx context.Context, o Options) error {
	o.defaults()
	if f, ok := o.Out.(*os.File); ok && !xterm.IsTerminal(f.Fd()) {
		return ErrNoTerminal
	}
	ctx, end := context.WithCancelCause(ctx)
	defer end(nil)
	g := guard{o.Panicked, end}

	outbox := make(chan shift.Input, waiting)
	keyCame, changed := make(chan struct{}, 1), make(chan struct{}, 1)
	m := &model{
		view:     view{last: new(field), ascii: o.ASCII, letters: o.Letters, hints: slices.Clone(o.Hints), lang: o.Language, takt: o.Takt},
		renderer: term.Renderer(*o.Colour),
		w:        fullWidth,
		h:        fullHeight,
		send: func(in shift.Input) bool {
			select {
			case outbox <- in:
				return true
			default:
				return false
			}
		},
		rest: func() { token(keyCame) },
		wish: func() { token(changed) },
		leave: func() bool {
			if o.Leave == nil {
				return false
			}
			g.start(o.Leave)
			return true
		},
	}
	m.snap.Hands.Nest = station.NoNest // before the first snapshot
	if o.Bell {
		ring := make(chan struct{}, 1)
		m.ring = func() { token(ring) }
		g.start(func() { chime(ctx, ring, o.Out) })
	}
	options := []tea.ProgramOption{
		tea.WithContext(ctx), tea.WithOutput(o.Out), tea.WithAltScreen(), tea.WithFPS(framesPerSecond),
		tea.WithoutSignalHandler(), tea.WithoutBracketedPaste(), tea.WithFilter(stamp(o.Now, g)),
	}
	restore := func() {}
	switch in := o.In.(type) {
	case nil:
		options = append(options, tea.WithInput(nil))
	case *os.File:
		if state, err := xterm.GetState(in.Fd()); err == nil {
			restore = func() { _ = xterm.Restore(in.Fd(), state) }
		}
		options = append(options, tea.WithInput(guardedInput{term.NewInput(in), g}))
	default:
		options = append(options, tea.WithInput(guardedReader{term.NewFilter(in), g}))
	}
	p := tea.NewProgram(guardedModel{m, g}, options...)

	g.start(func() { deliver(ctx, outbox, o.Send) })
	g.start(func() { clock(ctx, keyCame, func() { p.Send(silence{o.Now()}) }) })
	g.start(func() { pace(ctx, changed, func() { p.Send(frame{}) }) })
	g.start(func() { forward(ctx, o.Snapshots, p) })
	if o.Scanner != nil {
		g.start(func() { listen(ctx, g, o.Scanner, o.Now, func(e Entry) { p.Send(heard{e, o.Now()}) }) })
	}

	done := make(chan error, 1)
	go func() {
		_, err := p.Run()
		done <- err
	}()
	select {
	case err := <-done:
		return ending(ctx, err)
	case <-ctx.Done():
	}
	late := time.NewTimer(grace)
	defer late.Stop()
	select {
	case err := <-done:
		return ending(ctx, err)
	case <-late.C:
		restore()
		return fmt.Errorf("giving the terminal back: it takes no output: %w", ended(ctx))
	}
}

// ending turns the terminal library's end into ours.
func ending(ctx context.Context, err error) error {
	switch {
	case ctx.Err() != nil:
		return ended(ctx)
	case errors.Is(err, tea.ErrProgramPanic): // of the library itself
		return fmt.Errorf("%w: drawing: %w", ErrPanic, err)
	case err != nil:
		return fmt.Errorf("using the terminal: %w", err)
	}
	return nil
}

// stamp gives every key the time at which it reached the loop.
func stamp(now func() time.Time, g guard) func(tea.Model, tea.Msg) tea.Msg {
	return func(_ tea.Model, msg tea.Msg) tea.Msg {
		if k, ok := msg.(tea.KeyMsg); ok {
			g.do(func() { msg = keyAt{k, now()} })
		}
		return msg
	}
}

// deliver calls send for what waits in the outbox. It is the only caller, so
// that a station that makes it wait makes nobody else wait.
func deliver(ctx context.Context, outbox <-chan shift.Input, send func(shift.Input)) {
	for {
		select {
		case <-ctx.Done():
			return
		case in := <-outbox:
			send(in)
		}
	}
}

// clock calls rang a little more than Silence after the last key.
func clock(ctx context.Context, keyCame <-chan struct{}, rang func()) {
	timer := time.NewTimer(time.Hour)
	timer.Stop()
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-keyCame:
			timer.Reset(Silence + 5*time.Millisecond)
		case <-timer.C:
			rang()
		}
	}
}

// token puts a token into a channel that holds one, where none is yet.
func token(c chan<- struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// pace has a picture drawn for a change: at once, and then not before redraw has
// passed. What changed meanwhile is in the next one, so that the last change is
// always drawn.
func pace(ctx context.Context, changed <-chan struct{}, draw func()) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-changed:
		}
		draw()
		select {
		case <-ctx.Done():
			return
		case <-time.After(redraw):
		}
	}
}

// forward passes the newest snapshot on. Where the terminal makes it wait,
// older snapshots are never drawn.
func forward(ctx context.Context, box *Mailbox, p *tea.Program) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-box.Ready():
			if page, reply, ok := box.takeShown(); ok {
				p.Send(turned{page, reply})
			}
			if s, ok := box.Take(); ok {
				p.Send(fresh{s})
			}
		}
	}
}

// chime rings the terminal's bell. It writes beside the renderer: one byte
// between two of its writes. A terminal that takes nothing keeps it waiting,
// and nobody else.
func chime(ctx context.Context, ring <-chan struct{}, out io.Writer) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-ring:
			if _, err := io.WriteString(out, bell); err != nil {
				return
			}
		}
	}
}

const bell = "\a"
