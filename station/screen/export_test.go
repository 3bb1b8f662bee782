package screen

import (
	tea "github.com/charmbracelet/bubbletea"

	"example.org/panecal/station"
)

// Picture is one drawn screen, for tests.
type Picture struct {
	Text    string
	Cut     int // characters outside, texts shortened
	Overlap int // characters over others
}

// Draw draws a snapshot without colour.
func Draw(s station.Snapshot, w, h int, ascii bool, typed, own string, hints ...Hint) Picture {
	v := view{snap: s, ready: true, ascii: ascii, typed: typed, own: own, hints: hints}
	c := v.draw(w, h)
	return Picture{c.render(0), c.cut, c.overlap}
}

// DrawNothing draws the screen before the first snapshot.
func DrawNothing(w, h int) Picture {
	c := (&view{}).draw(w, h)
	return Picture{c.render(0), c.cut, c.overlap}
}

// Phase is phase.
func Phase(s station.Step) string { return phase(s) }

// Called tells whether a code has block letters of its own.
func Called(code station.Code) bool { _, ok := calls[code]; return ok }

// Width is width.
func Width(s string) int { return width(s) }

// RunesOf is runesOf.
func RunesOf(k tea.KeyMsg) []rune { return runesOf(k) }
