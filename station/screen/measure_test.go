package screen_test

import (
	"testing"

	"github.com/charmbracelet/x/ansi"

	"example.org/panecal/station/screen"
)

// What is counted without looking it up takes as many cells as the terminal
// library finds, which knows the tables of Unicode.
func TestWidth(t *testing.T) {
	for r := rune(1); r < 0x3000; r++ {
		for _, s := range []string{string(r), "a" + string(r) + "e"} {
			if got, want := screen.Width(s), ansi.StringWidth(s); got != want {
				t.Errorf("%U: %d cells, want %d", r, got, want)
			}
		}
	}
	for s, want := range map[string]int{"": 0, "Prüfgerät año": 13, "e\u0301": 1, "世界": 4, "\x1b[1mA\x1b[0m": 1, "█▀▄─║": 5, "👩‍🔧": 2} {
		if got := screen.Width(s); got != want {
			t.Errorf("%q: %d cells, want %d", s, got, want)
		}
	}
}
