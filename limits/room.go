package limits

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"github.com/charmbracelet/x/ansi"
)

// The room of the smallest screen that shows everything, 80 by 24 with three
// nests, in cells: a code in a table, a bin's name in a nest's panel, and one
// sentence beside what the station itself says.
const (
	codeRoom        = 12
	textRoom        = 24
	instructionRoom = 90
)

// fits reports a text that the screens have no room for, or that would break
// a line.
func fits(key, text string, room int, report func(key, problem, mend string)) {
	if strings.ContainsFunc(text, unicode.IsControl) {
		report(key, fmt.Sprintf("%s has control characters or more than one line", key), "write one line of plain text")
		return
	}
	if w := ansi.StringWidth(text); w > room {
		report(key, fmt.Sprintf("%s takes %d cells, the screens have %d", key, w, room), "write it shorter")
	}
}

// contradicts gives the disposition that a hard bin's name or text says,
// where that is another than the one its units get; else "".
func contradicts(b HardBin, disposition string) string {
	words := strings.FieldsFunc(strings.ToLower(b.Name+" "+b.Text.Plain), func(r rune) bool { return !unicode.IsLetter(r) })
	all := []string{Release, Rework, Hold, Scrap}
	if slices.Contains(words, disposition) {
		return ""
	}
	for _, d := range all {
		if slices.Contains(words, d) {
			return d
		}
	}
	return ""
}
