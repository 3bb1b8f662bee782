package desk

import (
	"github.com/charmbracelet/bubbles/key"
	tea "github.com/charmbracelet/bubbletea"
)

// Page is one page of the desk.
type Page interface {
	// Title is a word for the line of pages.
	Title() string
	// Keys are the page's own, with their help.
	Keys() []key.Binding
	// Key takes a key that may be the page's; false if it is not. It may change the
	// State, and put a sentence into its note.
	Key(s *State, k tea.KeyMsg) bool
	// View draws the page into so many cells; what is more is cut off.
	View(s *State, width, height int) string
}

// pages are the pages, in order.
func pages(ascii bool) []Page {
	return []Page{newLimitPage(ascii), &yieldPage{}, &binPage{}, newGroupPage(ascii), newCheckPage(ascii)}
}

// bind is a key with its help; plain is how its keys are written in ASCII.
func bind(ascii bool, help, shown, plain string, keys ...string) key.Binding {
	if ascii {
		shown = plain
	}
	return key.NewBinding(key.WithKeys(keys...), key.WithHelp(shown, help))
}
