package desk

import (
	"context"

	tea "github.com/charmbracelet/bubbletea"
)

// Browser is the analyst's pages driven by hand: commands run at once, ticks never.
type Browser struct {
	b      *browser
	Copied []string
	Ended  bool
}

// NewBrowser shows a past; it has read the list when it returns.
func NewBrowser(ctx context.Context, o BrowseOptions, width, height int) *Browser {
	s := &Browser{b: newBrowser(ctx, &o)}
	s.b.copy = func(text string) error { s.Copied = append(s.Copied, text); return nil }
	s.Resize(width, height)
	s.take(s.b.Init()())
	return s
}

// Resize tells the size of the window.
func (s *Browser) Resize(width, height int) {
	s.take(tea.WindowSizeMsg{Width: width, Height: height})
}

func (s *Browser) take(msg tea.Msg) {
	switch msg := msg.(type) {
	case nil:
	case tea.BatchMsg:
		for _, c := range msg {
			if c != nil {
				s.take(c())
			}
		}
	case tea.QuitMsg:
		s.Ended = true
	default:
		if _, c := s.b.Update(msg); c != nil {
			s.take(c())
		}
	}
}

// Press presses keys, by their names.
func (s *Browser) Press(keys ...string) {
	for _, k := range keys {
		s.take(keyOf(k))
	}
}

// Type types a text and enter.
func (s *Browser) Type(text string) {
	s.take(tea.KeyMsg{Type: tea.KeyRunes, Runes: []rune(text)})
	s.Press("enter")
}

// Clear empties what is being typed.
func (s *Browser) Clear() { s.Press("ctrl+u") }

// Look lets the time come at which the list is read again.
func (s *Browser) Look() { s.take(lookAgain{}) }

// View is the screen.
func (s *Browser) View() string { return s.b.View() }
