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
	"github.com/charmbracelet/bubbles/key"
	"github.com/charmbracelet/bubbles/textinput"
	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/x/ansi"
	xterm "github.com/charmbracelet/x/term"

	"example.org/panecal/limits/visible"
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

type browseKeys struct{ help, quit, page, number, open, move, earlier, filter, copy, dossier, again key.Binding }

func newBrowseKeys(ascii bool) browseKeys {
	return browseKeys{
		help:    bind(ascii, "keys", "?", "?", "?"),
		quit:    bind(ascii, "quit", "q", "q", "q", "ctrl+c"),
		open:    bind(ascii, "open", "enter", "enter", "enter"),
		move:    bind(ascii, "move", "↑↓", "up down", "up", "down", "pgup", "pgdown", "home", "end"),
		earlier: bind(ascii, "earlier, later", "[ ]", "[ ]", "[", "]"),
		filter:  bind(ascii, "filter", "/", "/", "/"),
		copy:    bind(ascii, "copy", "y", "y", "y"),
		dossier: bind(ascii, "dossier", "d", "d", "d"),
		again:   bind(ascii, "read again", "r", "r", "r"),
		page:    bind(ascii, "page", "tab", "tab", "tab", "shift+tab"),
		number:  bind(ascii, "page", "1-5", "1-5", "1", "2", "3", "4", "5"),
	}
}

// list are the keys that are of use now.
func (b *browser) bindings() []key.Binding {
	k := &b.keys
	if b.at == 0 {
		return []key.Binding{k.help, k.quit, k.filter, k.move, k.open, k.dossier, k.copy, k.again, k.page, k.number}
	}
	list := append([]key.Binding{k.help, k.quit}, b.looks[b.at-1].keys()...)
	return append(list, k.move, k.earlier, k.dossier, k.copy, k.filter, k.again, k.page, k.number)
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

func (b *browser) key(k tea.KeyMsg) tea.Cmd {
	if b.asking != nothing {
		return b.answer(k)
	}
	b.note = ""
	switch {
	case key.Matches(k, b.keys.quit):
		return tea.Quit
	case key.Matches(k, b.keys.help):
		b.helped = !b.helped
	case key.Matches(k, b.keys.filter):
		b.ask(askFilter, "find: ", b.text)
	case key.Matches(k, b.keys.again):
		clear(b.got)
		if b.at == 0 {
			return b.search()
		}
		return b.look()
	case key.Matches(k, b.keys.copy):
		text, copied := ansi.Strip(b.page()), b.copy
		return func() tea.Msg {
			if err := copied(text); err != nil {
				return noted{"copying: " + err.Error()}
			}
			return noted{"the page is in the clipboard, where the terminal allows it"}
		}
	case key.Matches(k, b.keys.number):
		return b.turn(int(k.String()[0] - '1'))
	case key.Matches(k, b.keys.page):
		by := 1
		if k.String() == "shift+tab" {
			by = len(b.looks)
		}
		return b.turn((b.at + by) % (len(b.looks) + 1))
	case key.Matches(k, b.keys.dossier):
		if b.taken == nil || b.at == 0 {
			b.take()
		}
		if b.taken != nil {
			b.ask(askFile, "dossier into: ", b.taken.Serial+".html")
		}
	case b.at == 0 && key.Matches(k, b.keys.open):
		return b.turn(1)
	case key.Matches(k, b.keys.move):
		b.move(k.String())
	case b.at > 0 && key.Matches(k, b.keys.earlier):
		return b.another(k.String() == "[")
	case b.at > 0 && b.looks[b.at-1].key(k):
		return b.look()
	}
	return nil
}

// turn opens a page; from the list it takes the attempt under the cursor.
func (b *browser) turn(page int) tea.Cmd {
	if b.at == 0 && page > 0 {
		b.take()
	}
	if page > 0 && b.taken == nil {
		return nil
	}
	b.at, b.top, b.helped = page, 0, false
	return b.look()
}

// take takes the attempt under the cursor, none from an empty list.
func (b *browser) take() {
	b.taken = nil
	if b.cursor < len(b.list) {
		f := b.list[b.cursor]
		b.taken = &f
	}
}

// another takes the next attempt of the same unit in the list, which begins with the
// newest.
func (b *browser) another(earlier bool) tea.Cmd {
	by := -1
	if earlier {
		by = 1
	}
	for i := b.cursor + by; i >= 0 && i < len(b.list); i += by {
		if b.list[i].Serial == b.taken.Serial {
			b.cursor = i
			b.take()
			return b.look()
		}
	}
	b.note = "no other attempt of " + visible.Text(b.taken.Serial) + " in the list: / " + visible.Text(b.taken.Serial) + " finds all"
	return nil
}

// move moves the cursor of the list, or what is seen of a page.
func (b *browser) move(k string) {
	at, most, jump := &b.top, max(0, strings.Count(b.long(), "\n")-b.bodyHeight()), b.bodyHeight()-1
	if b.at == 0 {
		at, most, jump = &b.cursor, max(0, len(b.list)-1), b.bodyHeight()-2
	}
	switch k {
	case "up":
		*at--
	case "down":
		*at++
	case "pgup":
		*at -= jump
	case "pgdown":
		*at += jump
	case "home":
		*at = 0
	case "end":
		*at = most
	}
	*at = max(0, min(most, *at))
}

func (b *browser) ask(q question, prompt, value string) {
	b.asking = q
	b.input.Prompt = prompt
	b.input.SetValue(value)
	b.input.CursorEnd()
	b.input.Width = max(10, b.width-len(prompt)-2)
	b.input.Focus()
}

// answer takes a key of what is being typed.
func (b *browser) answer(k tea.KeyMsg) tea.Cmd {
	switch k.String() {
	case "esc", "ctrl+c":
		b.asking = nothing
		return nil
	case "enter":
	default:
		b.input, _ = b.input.Update(k)
		return nil
	}
	q, text := b.asking, strings.TrimSpace(b.input.Value())
	b.asking, b.note = nothing, ""
	switch {
	case q == askFilter:
		b.text, b.at, b.cursor = text, 0, 0
		return b.search()
	case q == askFile && text != "" && b.taken != nil:
		f, ctx := *b.taken, b.ctx
		b.note = "writing " + text + ": the whole log is checked first"
		return func() tea.Msg {
			if err := b.past.Dossier(ctx, f, text); err != nil {
				return noted{"the dossier: " + err.Error()}
			}
			return noted{"wrote " + text}
		}
	}
	return nil
}

func (b *browser) bodyHeight() int { return b.height - 4 }

// View draws the screen.
func (b *browser) View() string {
	p := b.paint
	if b.width < leastWidth || b.height < leastHeight {
		return p.box(fmt.Sprintf("The desk is made for 80 x 24.\nThis window has %d x %d.\n\nq: quit", b.width, b.height), b.width, b.height)
	}
	var tabs strings.Builder
	for i, title := range BrowseTitles() {
		text := fmt.Sprintf(" %d %s ", i+1, title)
		if i == b.at {
			text = p.strong("[" + strings.TrimSpace(text) + "]")
		}
		tabs.WriteString(text)
	}
	foot := visible.Text(strings.ReplaceAll(b.note, "\n", "; "))
	b.help.Width = b.width
	keys := b.help.ShortHelpView(b.bindings())
	switch {
	case b.asking != nothing:
		foot = b.input.View()
		keys = b.help.ShortHelpView([]key.Binding{key.NewBinding(key.WithKeys("enter"), key.WithHelp("enter", "take it")), key.NewBinding(key.WithKeys("esc"), key.WithHelp("esc", "leave it"))})
	case b.reading != "" && b.note == "":
		foot = "reading " + b.reading + " ..."
	}
	out := strings.Join([]string{p.fit(tabs.String(), b.width), p.fit(b.head(), b.width), p.box(b.page(), b.width, b.bodyHeight()), p.fit(foot, b.width), p.fit(keys, b.width)}, "\n")
	if p.ascii {
		out = plainest(out)
	}
	return out
}

// head says what is looked at.
func (b *browser) head() string {
	switch {
	case b.at > 0 && b.taken != nil:
		f := b.taken
		return " " + visible.Text(fmt.Sprintf("%s, attempt %d, %s, %s, nest %s", f.Serial, f.AttemptNo, f.Time.In(b.where).Format("2006-01-02 15:04:05"), f.Outcome, f.Nest))
	case b.text != "":
		return " found: " + visible.Text(b.text)
	}
	return " the newest attempts"
}

// page is what is seen of the page.
func (b *browser) page() string {
	if b.helped {
		list := b.bindings()
		return "\n" + b.help.FullHelpView([][]key.Binding{list[:(len(list)+1)/2], list[(len(list)+1)/2:]}) +
			"\n\n/ takes a serial or a part of one, the unit's own identity, and the flags of\n`panecal find`, as in h54-0001 --outcome failed --nest B\n"
	}
	lines := strings.Split(strings.TrimSuffix(b.long(), "\n"), "\n")
	from := b.top
	if b.at == 0 {
		from = max(0, b.cursor-b.bodyHeight()+1)
	}
	from = max(0, min(from, len(lines)-1))
	return strings.Join(lines[from:min(len(lines), from+b.bodyHeight())], "\n")
}

// long is the page as long as it is.
func (b *browser) long() string {
	switch got := b.shown().(type) {
	case error:
		return "\n" + ansi.Wrap(" "+visible.Text(got.Error()), b.width-2, "")
	case nil:
		switch {
		case b.at > 0:
			return "\n reading ..."
		case b.failed != nil:
			return "\n" + ansi.Wrap(" "+visible.Text(b.failed.Error()), b.width-2, "") + "\n\n /: look for something else   r: again   q: quit"
		case !b.listed:
			return "\n reading ..."
		case len(b.list) == 0 && b.text == "":
			return "\n The log has no attempts yet. r looks again, and the page does by itself."
		case len(b.list) == 0:
			return "\n nothing found: no attempt in this log agrees with that   /: look for something else"
		}
		more := ""
		if len(b.list) == mostFound {
			more = fmt.Sprintf("\n the newest %d; / finds others", mostFound)
		}
		return strings.Join(foundLines(b), "\n") + more
	default:
		return b.looks[b.at-1].draw(b.paint, got, b.width, b.bodyHeight())
	}
}
