package desk

import (
	"strings"

	"github.com/charmbracelet/bubbles/key"
	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/x/ansi"

	"example.org/panecal/limits/visible"
)

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
