package desk

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/charmbracelet/bubbles/help"
	"github.com/charmbracelet/bubbles/key"
	"github.com/charmbracelet/bubbles/progress"
	"github.com/charmbracelet/bubbles/textinput"
	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/x/ansi"

	"example.org/panecal/limits"
)

// model is the program. Readings run in commands, one at a time.
type model struct {
	ctx   context.Context
	log   Log
	file  *limits.File // given; nil for what is in force
	text  string       // the choice that is wanted
	every time.Duration
	copy  func(text string) error

	s      State
	pages  []Page
	at     int
	width  int
	height int
	keys   keys
	help   help.Model
	helped bool

	input  textinput.Model
	asking question
	bar    progress.Model

	busy       sync.Mutex // held while the log is used
	cancel     context.CancelFunc
	generation int
	reading    bool
	done       int
	total      int
	failure    error         // of the newest reading
	took       time.Duration // of the last whole one
}

// question is what is being typed.
type question uint8

const (
	nothing question = iota
	askFilter
	askLimit
	askFile
)

// keys are those of every page.
type keys struct {
	help, quit, page, number, quantity, typed, filter, copy, export, again key.Binding
}

func newKeys(ascii bool) keys {
	return keys{
		help:     bind(ascii, "keys", "?", "?", "?"),
		quit:     bind(ascii, "quit", "q", "q", "q", "ctrl+c"),
		page:     bind(ascii, "next, previous page", "tab", "tab", "tab", "shift+tab"),
		number:   bind(ascii, "page", "1-5", "1-5", "1", "2", "3", "4", "5", "6", "7", "8", "9"),
		quantity: bind(ascii, "quantity", "n p", "n p", "n", "p"),
		typed:    bind(ascii, "type the limit", "=", "=", "="),
		filter:   bind(ascii, "filter", "/", "/", "/"),
		copy:     bind(ascii, "copy", "y", "y", "y"),
		export:   bind(ascii, "export", "e", "e", "e"),
		again:    bind(ascii, "read again", "r", "r", "r"),
	}
}

func (k keys) list() []key.Binding {
	return []key.Binding{k.help, k.quit, k.quantity, k.typed, k.filter, k.copy, k.export, k.again, k.page, k.number}
}

// What commands come back with.
type (
	wasRead struct {
		generation int
		reading    *reading
		took       time.Duration
		err        error
	}
	wentOn struct {
		generation, done, total int
		more                    <-chan [2]int
	}
	look  struct{}
	grown struct{ yes bool }
	noted struct{ text string }
)

func newModel(ctx context.Context, o *Options) *model {
	p := paint{o.ASCII, o.renderer()}
	m := &model{ctx: ctx, log: o.Log, file: o.File, text: o.Choice, s: State{paint: p, where: o.Location}, pages: pages(o.ASCII), keys: newKeys(o.ASCII),
		help: help.New(), input: textinput.New(), width: 80, height: 24, copy: func(text string) error {
			_, err := fmt.Fprint(o.Out, ansi.SetSystemClipboard(text))
			return err
		}}
	m.s.wanted = o.Quantity
	strong, plain := p.renderer.NewStyle().Bold(true), p.renderer.NewStyle()
	m.help.Styles = help.Styles{Ellipsis: plain, ShortKey: strong, ShortDesc: plain, ShortSeparator: plain, FullKey: strong, FullDesc: plain, FullSeparator: plain}
	m.help.ShortSeparator, m.help.Ellipsis = "  ", string(p.sign('…', '~'))
	m.input.PromptStyle, m.input.TextStyle, m.input.PlaceholderStyle = strong, plain, plain
	m.input.Cursor.Style = p.renderer.NewStyle().Reverse(true)
	m.bar = progress.New(progress.WithFillCharacters(p.sign('█', '#'), p.sign('░', '-')), progress.WithColorProfile(p.renderer.ColorProfile()), progress.WithSolidFill(""))
	return m
}

// Init reads for the first time.
func (m *model) Init() tea.Cmd { return tea.Batch(m.read(), m.wait()) }

// wait asks in a while whether the log has grown; a reading that takes long is
// made seldom.
func (m *model) wait() tea.Cmd {
	if m.every <= 0 {
		return nil
	}
	return tea.Tick(max(m.every, 20*m.took), func(time.Time) tea.Msg { return look{} })
}

// read begins a reading; one that runs ends.
func (m *model) read() tea.Cmd {
	if m.cancel != nil {
		m.cancel()
	}
	ctx, cancel := context.WithCancel(m.ctx)
	m.cancel = cancel
	m.generation++
	m.reading, m.done, m.total = true, 0, 0
	steps := make(chan [2]int, 1)
	log, text, file, n, generation := m.log, m.text, m.file, m.s.wanted, m.generation
	work := func() tea.Msg {
		defer close(steps)
		m.busy.Lock()
		defer m.busy.Unlock()
		if ctx.Err() != nil {
			return nil
		}
		began := time.Now()
		r, err := read(ctx, log, text, file, n, func(done, total int) {
			select {
			case <-steps: // what was not seen yet is old now
			default:
			}
			steps <- [2]int{done, total}
		})
		return wasRead{generation, r, time.Since(began), err}
	}
	return tea.Batch(work, follow(generation, steps))
}

// follow waits for the next word of progress.
func follow(generation int, steps <-chan [2]int) tea.Cmd {
	return func() tea.Msg {
		s, more := <-steps
		if !more {
			return nil
		}
		return wentOn{generation, s[0], s[1], steps}
	}
}

// Update takes what happened.
func (m *model) Update(msg tea.Msg) (tea.Model, tea.Cmd) {
	switch msg := msg.(type) {
	case tea.WindowSizeMsg:
		m.width, m.height = msg.Width, msg.Height
	case tea.KeyMsg:
		return m, m.key(msg)
	case wentOn:
		if msg.generation == m.generation {
			m.done, m.total = msg.done, msg.total
			return m, follow(msg.generation, msg.more)
		}
	case wasRead:
		m.wasRead(msg)
	case look:
		if m.reading || m.s.reading == nil && m.failure != nil && !errors.Is(m.failure, ErrEmpty) {
			return m, m.wait()
		}
		return m, m.hasGrown()
	case grown:
		if msg.yes && !m.reading {
			return m, tea.Batch(m.read(), m.wait())
		}
		return m, m.wait()
	case noted:
		m.s.note = msg.text
	}
	return m, nil
}

func (m *model) wasRead(msg wasRead) {
	if msg.generation != m.generation {
		return
	}
	m.reading, m.took, m.failure = false, msg.took, msg.err
	switch {
	case msg.err == nil:
		m.failure = m.s.settle(msg.reading)
		m.text = msg.reading.choice.Text
	case m.s.reading != nil: // what was read before stands
		m.s.note, m.failure = msg.err.Error(), nil
		m.text, m.s.wanted = m.s.choice.Text, m.s.quantity.Name
	}
}

// hasGrown asks whether there are new records.
func (m *model) hasGrown() tea.Cmd {
	before := uint64(0)
	if m.s.reading != nil {
		before = m.s.newest
	}
	return func() tea.Msg {
		m.busy.Lock()
		defer m.busy.Unlock()
		if m.ctx.Err() != nil {
			return nil
		}
		now, err := m.log.Newest(m.ctx)
		return grown{err == nil && now != before}
	}
}

func (m *model) key(k tea.KeyMsg) tea.Cmd {
	if m.asking != nothing {
		return m.answer(k)
	}
	m.s.note = ""
	switch {
	case key.Matches(k, m.keys.quit):
		return tea.Quit
	case key.Matches(k, m.keys.help):
		m.helped = !m.helped
	case key.Matches(k, m.keys.again):
		return m.read()
	case key.Matches(k, m.keys.filter):
		return m.ask(askFilter, "filter: ", m.text)
	case m.s.reading == nil:
	case key.Matches(k, m.keys.page):
		step := 1
		if k.String() == "shift+tab" {
			step = len(m.pages) - 1
		}
		m.turn((m.at + step) % len(m.pages))
	case key.Matches(k, m.keys.number):
		m.turn(int(k.String()[0] - '1'))
	case key.Matches(k, m.keys.quantity):
		step := 1
		if k.String() == "p" {
			step = -1
		}
		m.s.next(step)
		return m.read()
	case key.Matches(k, m.keys.typed):
		m.turn(0)
		name := "high"
		if m.s.lower {
			name = "low"
		}
		return m.ask(askLimit, fmt.Sprintf("%s limit of %s, in %s: ", name, m.s.quantity.Name, m.s.quantity.Unit), "")
	case key.Matches(k, m.keys.copy):
		text := ansi.Strip(m.pages[m.at].View(&m.s, m.width, m.bodyHeight()))
		copied := m.copy
		return func() tea.Msg {
			if err := copied(text); err != nil {
				return noted{"copying: " + err.Error()}
			}
			return noted{"the page is in the clipboard, where the terminal allows it"}
		}
	case key.Matches(k, m.keys.export):
		name := strings.ToLower(strings.ReplaceAll(m.pages[m.at].Title(), " ", "-"))
		return m.ask(askFile, "into (.txt this page, .json the answer, .csv .jsonl the attempts): ", name+".txt")
	default:
		m.pages[m.at].Key(&m.s, k)
	}
	return nil
}

func (m *model) turn(page int) {
	if page < len(m.pages) {
		m.at, m.helped = page, false
	}
}

func (m *model) ask(q question, prompt, value string) tea.Cmd {
	m.asking = q
	m.input.Prompt = prompt
	m.input.SetValue(value)
	m.input.CursorEnd()
	m.input.Width = max(10, m.width-len(prompt)-2)
	m.input.Focus()
	return nil
}

// answer takes a key of what is being typed.
func (m *model) answer(k tea.KeyMsg) tea.Cmd {
	switch k.String() {
	case "esc", "ctrl+c":
		m.asking = nothing
		return nil
	case "enter":
	default:
		m.input, _ = m.input.Update(k)
		return nil
	}
	q, text := m.asking, strings.TrimSpace(m.input.Value())
	m.asking, m.s.note = nothing, ""
	switch q {
	case askFilter:
		m.text = text
		return m.read()
	case askLimit:
		if err := m.s.typed(text); err != nil {
			m.s.note = err.Error()
		}
	case askFile:
		return m.write(text)
	}
	return nil
}

// write exports what is seen.
func (m *model) write(path string) tea.Cmd {
	var work func() error
	switch choice := m.s.choice; filepath.Ext(path) {
	case ".csv", ".jsonl":
		work = func() error { return m.log.Export(m.ctx, choice, path) }
	case ".txt":
		text := ansi.Strip(m.head() + "\n" + m.pages[m.at].View(&m.s, m.width, m.bodyHeight()))
		work = func() error { return m.log.WriteText(path, text) }
	case ".json":
		data, err := json.MarshalIndent(m.s.answer, "", " ")
		work = func() error { return errors.Join(err, m.log.WriteText(path, string(data)+"\n")) }
	default:
		m.s.note = fmt.Sprintf("%q: a name ends in .txt, .json, .csv or .jsonl", path)
		return nil
	}
	m.s.note = "writing " + path
	return func() tea.Msg {
		m.busy.Lock()
		defer m.busy.Unlock()
		if m.ctx.Err() != nil {
			return nil
		}
		if err := work(); err != nil {
			return noted{"exporting: " + err.Error()}
		}
		return noted{"wrote " + path}
	}
}
