package screen

import (
	"slices"
	"strings"
	"time"

	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/lipgloss"

	"example.org/panecal/station"
	"example.org/panecal/station/screen/term"
	"example.org/panecal/station/shift"
)

// Messages of the terminal library's loop. Time enters through them only.
type (
	keyAt struct { // a key, with the time at which it reached the loop
		key tea.KeyMsg
		at  time.Time
	}
	silence struct{ at time.Time } // no key for a while
	heard   struct {               // from a scanner with a port of its own
		entry Entry
		at    time.Time
	}
	fresh  struct{ snap station.Snapshot }
	frame  struct{} // time for another picture
	turned struct { // another page, or none, and something to say
		page  *shift.Page
		reply shift.Reply
	}
)

// model is the screen's state, driven by the loop and by it alone.
type model struct {
	view
	renderer  *lipgloss.Renderer
	collector Collector
	w, h      int
	ask       question
	askedAt   time.Time // of the snapshot in which it was asked
	leaving   bool

	picture string // the last one drawn
	stale   bool   // it no longer shows what the model holds
	due     bool   // a picture is drawn where the last one is stale

	send  func(shift.Input) bool // false: too much is waiting
	rest  func()                 // asks for a silence message
	wish  func()                 // asks for a frame message
	ring  func()                 // rings the bell, nil where none is wanted
	leave func() bool            // the operator left; false: end now
}

// question is what the screen asked and waits to be answered by the same key
// again. Any other entry withdraws it.
type question struct {
	key  Key // NoKey when nothing is asked
	nest int
}

// askFor is how long a question stands in the place of the hands' sentence.
const askFor = 8 * time.Second

// question asks, in block letters, or withdraws what was asked.
func (m *model) question(q question, text string) {
	m.ask, m.askedAt, m.asked = q, m.snap.At, call{tone: term.Hold}
	first, second, _ := strings.Cut(strings.ToUpper(text), " / ")
	m.asked.lines = [2]string{first, second}
}

// Init implements tea.Model.
func (m *model) Init() tea.Cmd { return nil }

// Update implements tea.Model.
func (m *model) Update(msg tea.Msg) (tea.Model, tea.Cmd) {
	cmd := m.update(msg)
	if m.stale && !m.due {
		m.wish()
	}
	return m, cmd
}

func (m *model) update(msg tea.Msg) tea.Cmd {
	switch msg := msg.(type) {
	case tea.WindowSizeMsg:
		m.w, m.h, m.stale, m.due = msg.Width, msg.Height, true, true
	case frame:
		m.due = true
	case turned:
		m.page, m.stale = msg.page, true
		if msg.reply.Code != "" {
			m.tell(m.lang.reply(msg.reply))
			m.retort(m.lang.retorts[msg.reply.Code], m.own.text)
		}
	case fresh:
		if m.ring != nil && m.ready && newVerdict(&m.snap, &msg.snap) {
			m.ring()
		}
		if m.ready {
			m.interrupt(&m.snap, &msg.snap)
		}
		m.snap, m.ready, m.stale = msg.snap, true, true
		if m.ask.key != NoKey && m.snap.At.Sub(m.askedAt) > askFor {
			m.say("")
			m.question(question{}, "")
		}
		if m.snap.Closed {
			return tea.Quit
		}
	case keyAt:
		// The characters themselves are shown at the next silence: drawing
		// each would cost a fast scanner more time than its labels.
		m.rest()
		for _, r := range runesOf(msg.key) {
			if cmd := m.take(m.collector.Add(r, msg.at), msg.at); cmd != nil {
				return cmd
			}
		}
	case heard:
		return m.take([]Entry{msg.entry}, msg.at)
	case silence:
		cmd := m.take(m.collector.Settle(msg.at), msg.at)
		if typed := m.collector.Typed(); typed != m.typed {
			m.typed, m.stale = typed, true
		}
		return cmd
	}
	return nil
}

// View implements tea.Model. The library asks after every message: many
// messages cost one picture.
func (m *model) View() string {
	if m.w <= 0 || m.h <= 0 {
		return ""
	}
	if m.picture == "" || m.stale && m.due {
		m.picture, m.stale = m.draw(m.renderer, m.w, m.h).text, false
	}
	m.due = false
	return m.picture
}

// take handles what was entered.
func (m *model) take(entries []Entry, at time.Time) tea.Cmd {
	for _, e := range entries {
		asked := m.ask
		m.instead, m.stale = interlude{}, true
		m.say("")
		m.question(question{}, "")
		switch e.Key {
		case NoKey:
			m.label(e, at)
		case KeyGo:
			m.pass(shift.Input{Kind: shift.Go, Nest: m.snap.Hands.Nest, At: at})
		case KeyStop:
			m.say(m.lang.words.leaveHow)
		case KeySkip:
			m.skip(asked, at)
		case KeyLeave:
			if asked.key != KeyLeave {
				m.question(question{key: KeyLeave}, m.lang.words.leaveCall)
				m.say(m.lang.leaveQuestion(m.snap.Nests))
				continue
			}
			if m.leaving || !m.leave() {
				return tea.Quit
			}
			m.leaving = true
		}
	}
	return nil
}

// label passes a label on, or says why it is none.
func (m *model) label(e Entry, at time.Time) {
	in := shift.Input{Kind: shift.Label, Text: e.Text, Nest: station.NoNest, At: at, Typed: e.Typed}
	if e.Fault.Kind != NoFault {
		in.Kind, in.Fault = shift.Unreadable, e.Fault
		if m.masked() {
			in.Text = ""
		}
		m.say(m.lang.unreadable(in, m.ascii))
		if m.page == nil {
			m.retort(m.lang.calls[station.RefusedLabel], m.own.text)
		}
	}
	m.pass(in)
	before := len(m.hints)
	m.hints = slices.DeleteFunc(m.hints, func(h Hint) bool { return strings.EqualFold(h.Label, strings.TrimSpace(e.Text)) })
	m.stale = m.stale || len(m.hints) < before
}

// masked tells whether what is entered must not be shown.
func (m *model) masked() bool { return m.page != nil && m.page.Masked }

// say makes text what the screen itself has to say, as a warning.
func (m *model) say(text string) { m.tell(said{text: text}) }

func (m *model) tell(what said) {
	m.stale = m.stale || what != m.own
	m.own = what
}

// skip asks before it ends the attempt of the nest the hands are sent to.
func (m *model) skip(asked question, at time.Time) {
	n := m.handsNest()
	switch {
	case n == nil || n.Attempt == 0 || n.Verdict != nil:
		m.say(m.lang.words.nothingToSkip)
	case asked.key == KeySkip && asked.nest == m.snap.Hands.Nest:
		m.pass(shift.Input{Kind: shift.Skip, Nest: asked.nest, At: at})
	default:
		m.question(question{key: KeySkip, nest: m.snap.Hands.Nest}, fill(m.lang.words.skipCall, "nest", m.lang.aloud(n.Name)))
		m.say(fill(m.lang.words.skipAgain, "nest", m.lang.aloud(n.Name)))
	}
}

// pass hands an input to the station.
func (m *model) pass(in shift.Input) {
	if !m.send(in) {
		m.say(m.lang.words.busy)
	}
}

// leaveQuestion says what leaving would end.
func (l *Language) leaveQuestion(nests []station.NestView) string {
	running := 0
	for _, n := range nests {
		if n.Attempt > 0 && n.Verdict == nil && n.Step != station.Stopped {
			running++
		}
	}
	switch running {
	case 0:
		return l.words.leaveAgain
	case 1:
		return l.words.oneRuns + " " + l.words.leaveAgain
	}
	return fill(l.words.manyRun, "n", running) + " " + l.words.leaveAgain
}

// unreadable says why what was entered is no label.
func (l *Language) unreadable(in shift.Input, ascii bool) string {
	return l.sentence(station.RefusedLabel, station.Args{Detail: station.Verbatim(l.arg(in.Fault) + ": " + squeeze(in.Text, 24, ascii))})
}

// runesOf returns a key of the terminal library as the characters that a
// term.Input gives. On Windows keys do not pass through the input, so control
// keys come by their names; their numbers are those of the characters.
func runesOf(k tea.KeyMsg) []rune {
	var runes []rune
	if k.Alt {
		runes = append(runes, term.Mark(esc))
	}
	switch {
	case k.Type == tea.KeyRunes || k.Type == tea.KeySpace:
		return append(runes, k.Runes...)
	case k.Type >= 0 && k.Type <= del:
		return append(runes, term.Mark(byte(k.Type)))
	}
	return nil // a cursor or function key: nothing here listens to one
}

// newVerdict tells whether now shows a verdict that before did not.
func newVerdict(before, now *station.Snapshot) bool {
	for i := range now.Nests {
		v := now.Nests[i].Verdict
		if v != nil && (i >= len(before.Nests) || before.Nests[i].Verdict == nil || before.Nests[i].Verdict.Sequence != v.Sequence) {
			return true
		}
	}
	return false
}
