package term

import "github.com/charmbracelet/lipgloss"

// init spares every start the question for the background colour; see the
// package comment. No colour of ours depends on the answer: each tone sets
// both its colours or neither.
func init() {
	lipgloss.SetHasDarkBackground(true)
}
