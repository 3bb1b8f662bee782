package desk

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/charmbracelet/bubbles/key"
	"github.com/charmbracelet/bubbles/viewport"
	"github.com/charmbracelet/x/ansi"

	"example.org/panecal/limits/visible"
	"example.org/panecal/station/screen/term"
)

// The smallest window that is drawn in.
const (
	leastWidth  = 60
	leastHeight = 18
)

// bodyHeight is the rows of a page: without pages, choice, note and keys.
func (m *model) bodyHeight() int { return m.height - 4 }

// View draws the screen.
func (m *model) View() string {
	p := m.s.paint
	if m.width < leastWidth || m.height < leastHeight {
		return p.box(fmt.Sprintf("The desk is made for 80 x 24.\nThis window has %d x %d.\n\nq: quit", m.width, m.height), m.width, m.height)
	}
	body := p.box(m.body(), m.width, m.bodyHeight())
	out := strings.Join([]string{p.fit(m.tabs(), m.width), p.fit(m.head(), m.width), body, p.fit(m.foot(), m.width), p.fit(m.shortHelp(), m.width)}, "\n")
	if p.ascii {
		out = plainest(out)
	}
	return out
}

// plainest leaves nothing but ASCII, cell by cell.
func plainest(s string) string { return strings.Map(term.Plainest, s) }

// tabs is the line of pages.
func (m *model) tabs() string {
	var b strings.Builder
	for i, page := range m.pages {
		text := fmt.Sprintf(" %d %s ", i+1, page.Title())
		if i == m.at {
			text = m.s.paint.strong("[" + strings.TrimSpace(text) + "]")
		}
		b.WriteString(text)
	}
	right := ""
	if m.s.reading != nil {
		right = fmt.Sprintf("%d attempts", m.s.moving.Len())
	}
	return m.ends(b.String(), right)
}

// head says which attempts and which limits.
func (m *model) head() string {
	if m.s.reading == nil {
		return ""
	}
	which := "in force"
	if m.file != nil && m.file.Revision == m.s.file.Revision {
		which = "of the file"
	}
	left := fmt.Sprintf(" %s, limits %.8s %s", visible.Text(m.s.choice.Product), m.s.file.Revision, which)
	if text := m.s.choice.Text; text != "" {
		left += ", " + visible.Text(text)
	}
	right := ""
	if n := m.s.attempts.len(); n > 0 {
		right = "up to " + time.Unix(0, m.s.attempts.time[n-1]).In(m.s.where).Format("2006-01-02 15:04")
	}
	return m.ends(left, right)
}

// ends puts a text at each end of a line; the left one gives way.
func (m *model) ends(left, right string) string {
	p := m.s.paint
	if right == "" {
		return left
	}
	return p.fit(left, max(0, m.width-ansi.StringWidth(right)-1)) + " " + right
}

func (m *model) body() string {
	p := m.s.paint
	if m.helped {
		v := viewport.New(m.width, m.bodyHeight())
		v.SetContent(m.allHelp())
		return v.View()
	}
	switch {
	case m.s.reading != nil:
		return m.pages[m.at].View(&m.s, m.width, m.bodyHeight())
	case errors.Is(m.failure, ErrEmpty):
		return "\n " + p.strong("The log has no attempts yet.") + "\n\n The desk looks again by itself as soon as a unit was calibrated; r looks now.\n\n q: quit"
	case m.failure != nil:
		return "\n " + p.strong("The log cannot be read like that.") + "\n\n" + ansi.Wrap(" "+m.failure.Error(), m.width-2, "") + "\n\n /: another filter   r: again   q: quit"
	}
	return "\n Reading the log ...\n\n " + m.progress(m.width-2)
}

// progress is how far a reading is.
func (m *model) progress(width int) string {
	m.bar.Width = min(60, width)
	if m.total == 0 {
		return m.bar.ViewAs(0)
	}
	return m.bar.ViewAs(float64(m.done) / float64(m.total))
}

// foot is what is typed, what is read, or what the last key came to.
func (m *model) foot() string {
	switch {
	case m.asking != nothing:
		return m.input.View()
	case m.reading && m.s.reading != nil:
		what := "reading "
		if m.s.wanted != m.s.quantity.Name {
			what += string(m.s.wanted) + " "
		}
		return what + m.progress(m.width-len(what)-1)
	}
	return visible.Text(strings.ReplaceAll(m.s.note, "\n", "; "))
}

// shortHelp is the last line: the keys that are of use here.
func (m *model) shortHelp() string {
	m.help.Width = m.width
	if m.asking != nothing {
		return m.help.ShortHelpView([]key.Binding{key.NewBinding(key.WithKeys("enter"), key.WithHelp("enter", "take it")), key.NewBinding(key.WithKeys("esc"), key.WithHelp("esc", "leave it"))})
	}
	list := m.keys.list()
	return m.help.ShortHelpView(append(append(list[:2:2], m.pages[m.at].Keys()...), list[2:]...))
}

// allHelp is every key.
func (m *model) allHelp() string {
	m.help.Width = m.width
	p := m.s.paint
	var b strings.Builder
	all := m.keys.list()
	own := m.pages[m.at].Keys()
	b.WriteString("\n" + p.strong("On every page") + "\n\n" + m.help.FullHelpView([][]key.Binding{all[:5], all[5:]}) + "\n")
	if len(own) > 0 {
		b.WriteString("\n" + p.strong("On "+m.pages[m.at].Title()) + "\n\n" + m.help.FullHelpView([][]key.Binding{own[:(len(own)+1)/2], own[(len(own)+1)/2:]}) + "\n")
	}
	b.WriteString("\n/ takes the flags of `panecal export`, as in --nest B --attempts all\n")
	return b.String()
}
