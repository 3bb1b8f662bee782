package desk

import (
	"context"
	"strings"

	tea "github.com/charmbracelet/bubbletea"

	"example.org/panecal/limits/whatif"
)

// Screen is a desk driven by hand: commands run at once, ticks never.
type Screen struct {
	m      *model
	Copied []string
	Ended  bool
}

// NewScreen shows a log; it has read when it returns.
func NewScreen(ctx context.Context, o Options, width, height int) *Screen {
	s := &Screen{m: newModel(ctx, &o)}
	s.m.copy = func(text string) error { s.Copied = append(s.Copied, text); return nil }
	s.Resize(width, height)
	s.run(s.m.Init())
	return s
}

// Resize tells the size of the window.
func (s *Screen) Resize(width, height int) {
	s.take(tea.WindowSizeMsg{Width: width, Height: height})
}

// Begin begins the reading and shows what is seen meanwhile.
func Begin(ctx context.Context, o Options, width, height, done, total int) string {
	s := &Screen{m: newModel(ctx, &o)}
	s.Resize(width, height)
	s.m.read()
	s.m.Update(wentOn{s.m.generation, done, total, nil})
	return s.View()
}

func (s *Screen) take(msg tea.Msg) {
	switch msg := msg.(type) {
	case nil:
	case tea.BatchMsg:
		for _, c := range msg {
			s.run(c)
		}
	case tea.QuitMsg:
		s.Ended = true
	case wentOn:
	default:
		_, c := s.m.Update(msg)
		s.run(c)
	}
}

func (s *Screen) run(c tea.Cmd) {
	if c != nil {
		s.take(c())
	}
}

// Press presses keys, by their names.
func (s *Screen) Press(keys ...string) {
	for _, k := range keys {
		s.take(keyOf(k))
	}
}

// Type types a text and enter.
func (s *Screen) Type(text string) {
	s.take(tea.KeyMsg{Type: tea.KeyRunes, Runes: []rune(text)})
	s.Press("enter")
}

// Clear empties what is being typed.
func (s *Screen) Clear() { s.Press("ctrl+u") }

func keyOf(name string) tea.KeyMsg {
	for t := tea.KeyType(-200); t < 200; t++ {
		if k := (tea.KeyMsg{Type: t}); k.String() == name && name != "" {
			return k
		}
	}
	return tea.KeyMsg{Type: tea.KeyRunes, Runes: []rune(name)}
}

// View is the screen.
func (s *Screen) View() string { return s.m.View() }

// Look lets the time come at which the desk looks whether the log has grown.
func (s *Screen) Look() { s.take(look{}) }

// Answer is what the limits page shows.
func (s *Screen) Answer() whatif.Answer { return s.m.s.answer }

// Limit is the limit as it was moved.
func (s *Screen) Limit() (low, high *float64, k int) { return s.m.s.low, s.m.s.high, s.m.s.k }

// Unheard are keys that the help names and nothing takes.
func (s *Screen) Unheard() (list []string) {
	for i, p := range s.m.pages {
		for _, b := range p.Keys() {
			for _, k := range b.Keys() {
				if !p.Key(&s.m.s, keyOf(k)) {
					list = append(list, p.Title()+" "+k)
				}
			}
			if b.Help().Key == "" || b.Help().Desc == "" {
				list = append(list, p.Title()+" without help")
			}
			for _, g := range s.m.keys.list() {
				for _, k := range g.Keys() {
					if i >= 0 && strings.Contains(" "+strings.Join(b.Keys(), " ")+" ", " "+k+" ") {
						list = append(list, p.Title()+" hides "+k)
					}
				}
			}
		}
	}
	return list
}
