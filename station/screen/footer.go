package screen

import (
	"strings"

	"github.com/charmbracelet/lipgloss"

	"example.org/panecal/station"
	"example.org/panecal/station/screen/term"
)

// footer shows the label being entered, and the keys.
func (v *view) footer(s *sheet, w int) string {
	tone, text := term.Plain, v.lang.words.entry+"_"
	switch {
	case v.typed != "":
		tone, text = term.Strong, v.lang.words.entry+v.typed+"_"
	case v.snap.Label != "":
		text = v.lang.words.open + v.snap.Label
	}
	keys := v.lang.words.keys
	if !v.goesOn() {
		_, keys, _ = strings.Cut(keys, "  ") // without Enter
	}
	return v.entry(s, w, tone, text, strings.TrimSpace(keys))
}

// goesOn tells whether something goes on by a key where the hands are.
func (v *view) goesOn() bool {
	switch v.snap.Hands.Code {
	case station.HandsConfirm, station.HandsClear, station.HandsLid, station.HandsTarget, station.HandsTargetIn:
		return true
	}
	n := v.handsNest()
	return n != nil && n.Verdict != nil && n.Verdict.Code == station.FailedNoAnswer // its leaving cannot be seen
}

// entry is a row with what is being entered, and the keys as far as there is
// room for them.
func (v *view) entry(s *sheet, w int, tone term.Tone, text, keys string) string {
	const leastEntry = 24
	keys = fewer(s.clean(keys), w-leastEntry, true)
	room := w - width(keys) - 3
	text = squeeze(s.clean(text), room, s.ascii)
	return lipgloss.JoinHorizontal(lipgloss.Top, " ", s.row(room, 0, tone, text), " ", keys, " ")
}

// fewer leaves out parts of a line, which two spaces or more tell apart, until
// it takes at most w cells: the first ones, or the last.
func fewer(s string, w int, first bool) string {
	for width(s) > w {
		i := strings.LastIndex(s, "  ")
		if first {
			i = strings.Index(s, "  ")
		}
		switch {
		case i < 0:
			return ""
		case first:
			s = strings.TrimLeft(s[i:], " ")
		default:
			s = strings.TrimRight(s[:i], " ")
		}
	}
	return s
}
