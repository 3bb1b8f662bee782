package screen_test

import (
	"slices"
	"testing"

	tea "github.com/charmbracelet/bubbletea"

	"example.org/panecal/station/screen"
	"example.org/panecal/station/screen/term"
)

// Keys of a Windows console do not pass through the input filter; by their
// names they become the same characters.
func TestRunesOfNamedKeys(t *testing.T) {
	for _, c := range []struct {
		name string
		key  tea.KeyMsg
		want []rune
	}{
		{"letters", tea.KeyMsg{Type: tea.KeyRunes, Runes: []rune("HP54")}, []rune("HP54")},
		{"marks of the filter", tea.KeyMsg{Type: tea.KeyRunes, Runes: []rune{'A', term.Mark(3)}}, []rune{'A', term.Mark(3)}},
		{"space", tea.KeyMsg{Type: tea.KeySpace, Runes: []rune{' '}}, []rune{' '}},
		{"enter", tea.KeyMsg{Type: tea.KeyEnter}, []rune{term.Mark(0x0D)}},
		{"line feed", tea.KeyMsg{Type: tea.KeyCtrlJ}, []rune{term.Mark(0x0A)}},
		{"tab", tea.KeyMsg{Type: tea.KeyTab}, []rune{term.Mark(0x09)}},
		{"Ctrl-C", tea.KeyMsg{Type: tea.KeyCtrlC}, []rune{term.Mark(0x03)}},
		{"Ctrl-Q", tea.KeyMsg{Type: tea.KeyCtrlQ}, []rune{term.Mark(0x11)}},
		{"group separator", tea.KeyMsg{Type: tea.KeyCtrlCloseBracket}, []rune{term.Mark(0x1D)}},
		{"null", tea.KeyMsg{Type: tea.KeyCtrlAt}, []rune{term.Mark(0)}},
		{"escape", tea.KeyMsg{Type: tea.KeyEscape}, []rune{term.Mark(0x1B)}},
		{"backspace", tea.KeyMsg{Type: tea.KeyBackspace}, []rune{term.Mark(0x7F)}},
		{"escape before a letter", tea.KeyMsg{Type: tea.KeyRunes, Runes: []rune{'S'}, Alt: true}, []rune{term.Mark(0x1B), 'S'}},
		{"arrow", tea.KeyMsg{Type: tea.KeyUp}, nil},
		{"function key", tea.KeyMsg{Type: tea.KeyF1}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := screen.RunesOf(c.key); !slices.Equal(got, c.want) {
				t.Errorf("got %U, want %U", got, c.want)
			}
		})
	}
}
