package desk

import (
	"fmt"
	"strings"

	"github.com/charmbracelet/bubbles/key"
	"github.com/charmbracelet/x/ansi"

	"example.org/panecal/limits/visible"
)

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
