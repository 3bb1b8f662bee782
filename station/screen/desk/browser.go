package desk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/charmbracelet/bubbles/help"
	"github.com/charmbracelet/bubbles/textinput"
	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/x/ansi"
	xterm "github.com/charmbracelet/x/term"

	"example.org/panecal/station/screen/term"
)

// BrowseOptions say what the analyst's desk works with. In, Out and Past stay the
// caller's to close.
type BrowseOptions struct {
	In       io.Reader
	Out      io.Writer
	Past     Past
	Find     string         // to begin with, as it is typed after /
	ASCII    bool           // nothing but ASCII is drawn
	Colour   *term.Depth    // nil: as the environment and Out say
	Location *time.Location // of times; nil: this computer's
}

// mostFound is how many attempts a list holds.
const mostFound = 200

// browser is the program of the analyst's pages: the list of what was found, and
// pages about the attempt that was taken from it. Readings run in commands, one at a
// time; one that nobody waits for any more ends.
type browser struct {
	ctx   context.Context
	past  Past
	paint paint
	where *time.Location
	every time.Duration
	copy  func(text string) error

	keys   browseKeys
	help   help.Model
	helped bool
	input  textinput.Model
	asking question
	note   string
	width  int
	height int

	text   string // of the list
	list   []Found
	cursor int
	listed bool
	failed error // of the list

	looks []lookPage
	at    int // 0 is the list
	taken *Found
	top   int            // first line that is seen
	got   map[string]any // by page and what it wants; an error where it could not be read

	busy       sync.Mutex
	cancel     context.CancelFunc
	generation int
	reading    string // what is read now, "" for nothing
}

// What the commands of a browser come back with.
type (
	wasFound struct {
		generation int
		text       string
		list       []Found
		err        error
	}
	wasLooked struct {
		generation int
		want       string
		got        any
	}
	lookAgain struct{}
)

func newBrowser(ctx context.Context, o *BrowseOptions) *browser {
	if o.Location == nil {
		o.Location = time.Local
	}
	p := paint{o.ASCII, (&Options{Out: o.Out, Colour: o.Colour}).renderer()}
	b := &browser{ctx: ctx, past: o.Past, paint: p, where: o.Location, keys: newBrowseKeys(o.ASCII), help: help.New(), input: textinput.New(), width: 80, height: 24,
		text: o.Find, looks: looks(o.ASCII), got: map[string]any{}, copy: func(text string) error {
			_, err := fmt.Fprint(o.Out, ansi.SetSystemClipboard(text))
			return err
		}}
	strong, plain := p.renderer.NewStyle().Bold(true), p.renderer.NewStyle()
	b.help.Styles = help.Styles{Ellipsis: plain, ShortKey: strong, ShortDesc: plain, ShortSeparator: plain, FullKey: strong, FullDesc: plain, FullSeparator: plain}
	b.help.ShortSeparator, b.help.Ellipsis = "  ", string(p.sign('…', '~'))
	b.input.PromptStyle, b.input.TextStyle, b.input.PlaceholderStyle = strong, plain, plain
	b.input.Cursor.Style = p.renderer.NewStyle().Reverse(true)
	return b
}

// Browse shows the analyst's pages until their reader leaves or ctx is cancelled,
// whose cause it returns then.
func Browse(ctx context.Context, o BrowseOptions) error {
	if f, ok := o.Out.(*os.File); ok && !xterm.IsTerminal(f.Fd()) {
		return ErrNoTerminal
	}
	inner, end := context.WithCancel(ctx)
	b := newBrowser(inner, &o)
	b.every = 10 * time.Second
	_, err := tea.NewProgram(b, tea.WithContext(inner), tea.WithInput(o.In), tea.WithOutput(o.Out), tea.WithAltScreen(), tea.WithoutSignalHandler()).Run()
	end()
	b.busy.Lock() // until what reads has ended
	defer b.busy.Unlock()
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if err != nil {
		return fmt.Errorf("using the terminal: %w", err)
	}
	return nil
}

// BrowseTitles are the names of the pages, for PrintBrowse.
func BrowseTitles() []string {
	list := []string{"Find"}
	for _, p := range looks(true) {
		list = append(list, p.title())
	}
	return list
}

// PrintBrowse draws one page of the first attempt found, for where there is no
// terminal.
func PrintBrowse(ctx context.Context, o BrowseOptions, page, width, height int) (string, error) {
	none := term.Colourless
	o.Colour = &none
	b := newBrowser(ctx, &o)
	b.width, b.height = width, height
	b.Update(b.search()())
	if b.failed != nil {
		return "", b.failed
	}
	if page > 0 {
		if len(b.list) == 0 {
			return "", errors.New("nothing found: no attempt in this log agrees with what was given")
		}
		b.take()
		b.at = page
		if c := b.look(); c != nil {
			b.Update(c())
		}
		if err, ok := b.shown().(error); ok {
			return "", err
		}
	}
	return b.View() + "\n", nil
}

// Init looks for the first time.
func (b *browser) Init() tea.Cmd { return tea.Batch(b.search(), b.wait()) }

func (b *browser) wait() tea.Cmd {
	if b.every <= 0 {
		return nil
	}
	return tea.Tick(b.every, func(time.Time) tea.Msg { return lookAgain{} })
}

// begin ends the reading before and begins another one.
func (b *browser) begin(what string) (context.Context, int) {
	if b.cancel != nil {
		b.cancel()
	}
	ctx, cancel := context.WithCancel(b.ctx)
	b.cancel, b.reading = cancel, what
	b.generation++
	return ctx, b.generation
}

// search reads the list.
func (b *browser) search() tea.Cmd {
	text := b.text
	ctx, generation := b.begin("the list")
	return func() tea.Msg {
		b.busy.Lock()
		defer b.busy.Unlock()
		if ctx.Err() != nil {
			return nil
		}
		list, err := b.past.Find(ctx, text, mostFound)
		return wasFound{generation, text, list, err}
	}
}

// look reads what the page wants, where it was not read yet.
func (b *browser) look() tea.Cmd {
	if b.at == 0 || b.taken == nil {
		return nil
	}
	page, f := b.looks[b.at-1], *b.taken
	want := page.title() + " " + page.want(f)
	if _, known := b.got[want]; known {
		return nil
	}
	ctx, generation := b.begin(strings.ToLower(page.title()))
	return func() tea.Msg {
		b.busy.Lock()
		defer b.busy.Unlock()
		if ctx.Err() != nil {
			return nil
		}
		got, err := page.read(ctx, b.past, f)
		if err != nil {
			got = err
		}
		return wasLooked{generation, want, got}
	}
}

// shown is what was read for the page, nil if it is not there yet.
func (b *browser) shown() any {
	if b.at == 0 || b.taken == nil {
		return nil
	}
	page := b.looks[b.at-1]
	return b.got[page.title()+" "+page.want(*b.taken)]
}

// Update takes what happened.
func (b *browser) Update(msg tea.Msg) (tea.Model, tea.Cmd) {
	switch msg := msg.(type) {
	case tea.WindowSizeMsg:
		b.width, b.height = msg.Width, msg.Height
	case tea.KeyMsg:
		return b, b.key(msg)
	case wasFound:
		if msg.generation == b.generation {
			b.found(msg)
		}
	case wasLooked:
		if msg.generation == b.generation {
			b.reading = ""
			if len(b.got) > 64 { // pictures that were looked at long ago
				clear(b.got)
			}
			b.got[msg.want] = msg.got
		}
	case lookAgain:
		if b.at == 0 && b.reading == "" && b.asking == nothing {
			return b, tea.Batch(b.search(), b.wait())
		}
		return b, b.wait()
	case noted:
		b.note = msg.text
	}
	return b, nil
}

// found takes a list; the cursor stays with its attempt.
func (b *browser) found(msg wasFound) {
	b.reading, b.failed, b.listed = "", msg.err, true
	if msg.err != nil {
		return
	}
	var at *Found
	if b.cursor < len(b.list) && b.cursor > 0 {
		at = &b.list[b.cursor]
	}
	b.cursor = 0
	for i := range msg.list {
		if at != nil && msg.list[i].Sequence == at.Sequence && msg.list[i].Generation == at.Generation {
			b.cursor = i
		}
	}
	b.list = msg.list
}
