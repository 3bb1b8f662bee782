package screen

import (
	"strings"

	"github.com/charmbracelet/lipgloss"

	"example.org/panecal/station"
	"example.org/panecal/station/screen/term"
)

// callHeight is how many rows the hands' field has.
func callHeight(w, h int) int {
	if large(w, h) {
		return 17
	}
	return 11
}

// handsNest returns the nest the hands are sent to, nil when there is none.
func (v *view) handsNest() *station.NestView {
	if i := v.snap.Hands.Nest; i >= 0 && i < len(v.snap.Nests) {
		return &v.snap.Nests[i]
	}
	return nil
}

// called returns what the hands are told, in block letters and in words.
func (v *view) called() (call, string) {
	hands := v.snap.Hands
	if !v.ready {
		hands = station.Hands{Nest: station.NoNest, Code: station.HandsStarting}
	}
	code, nest := hands.Code, hands.Args.Nest
	if n := v.handsNest(); n != nil {
		nest = n.Name
		if code == station.HandsHeld || code == station.HandsPassed {
			code = v.held(code, n)
		}
	}
	c := v.lang.call(code, nest, hands.Args.Bin, hands.Args.Label)
	return c, v.lang.sentence(hands.Code, hands.Args)
}

// held keeps the hands and the nest from saying two different things: the
// verdict's own mark decides.
func (v *view) held(code station.Code, n *station.NestView) station.Code {
	if n.Verdict == nil {
		return code
	}
	switch v.lang.mark(n.Verdict).tone {
	case term.Hold:
		return station.HandsHeld
	case term.Failed:
		return station.HandsFailed
	}
	return code
}

// drawHands says in block letters what the hands do now. Where the letters do
// not fit (a long name of a nest, a letter that the font has not), the
// sentence stands there in words.
func (v *view) drawHands(s *sheet, w, h int) string {
	hands, words := v.called()
	if v.instead.call.lines[0] != "" {
		hands, words = v.instead.call, v.instead.words
	}
	if v.asked.lines[0] != "" {
		hands, words = v.asked, v.own.text
	}
	return drawCall(s, w, h, hands, words)
}

// field is the hands' field as it was drawn. Most pictures differ from the one
// before in the nests alone, and letters are the dearest part of a picture.
type field struct {
	w, h    int
	call    call
	words   string
	ascii   bool
	letters term.Letters
	text    string
}

// drawCall draws a call in w x h cells, unless that is what it drew last.
func drawCall(s *sheet, w, h int, c call, words string) string {
	f := field{w: w, h: h, call: c, words: words, ascii: s.ascii, letters: s.letters}
	if s.last == nil {
		return lettered(s, w, h, c, words)
	}
	if f.text = s.last.text; f != *s.last {
		f.text = lettered(s, w, h, c, words)
		*s.last = f
	}
	return f.text
}

// lettered draws a call: what the hands do larger than the rest. Its words stand
// there where the letters do not fit.
func lettered(s *sheet, w, h int, c call, words string) string {
	const edges, margin = 2, 2
	inner := w - edges - margin
	first, second := h-5, 4 // and a row between them
	switch {
	case h > 15: // with a row above and below
		first, second = h-8, 5
	case h > 11: // with a row above
		first = h - 6
	}
	if s.letters == term.FullCells {
		first, second = (h-1)/2, (h-1)/2
	}
	if c.lines[1] == "" {
		first, second = h-2, 0
	}
	var content string
	one, ok := s.written(inner, first, c.lines[0])
	two, also := s.written(inner, second, c.lines[1])
	switch {
	case c.lines[0] != "" && ok && c.lines[1] == "":
		content = one
	case c.lines[0] != "" && ok && also:
		content = lipgloss.JoinVertical(lipgloss.Center, one, "", two)
	default:
		content = strings.Join(s.wrapped(strings.ToUpper(words), inner-margin), "\n")
	}
	at := lipgloss.Center
	if h > 11 && h <= 15 && lipgloss.Height(content) == h-1 {
		at = lipgloss.Bottom // the free row stands above the letters
	}
	return s.style(c.tone).Border(sides(s, c.tone), false, true).Render(s.r.Place(w-edges, h, lipgloss.Center, at, content))
}

// sides are both ends of the hands' field: a shape for each tone, so that no
// colour is needed.
func sides(s *sheet, tone term.Tone) lipgloss.Border {
	switch tone {
	case term.Action:
		return lipgloss.Border{Left: ">", Right: "<"}
	case term.Passed:
		return lipgloss.Border{Left: s.block(), Right: s.block()}
	case term.Failed:
		return lipgloss.Border{Left: hatch(s), Right: hatch(s)}
	case term.Hold:
		return lipgloss.Border{Left: s.block() + " ", Right: s.block() + " "}
	}
	return lipgloss.Border{Left: " ", Right: " "}
}

func hatch(s *sheet) string {
	if s.ascii {
		return "/"
	}
	return "▒"
}

// explained is the sentence for the hands, and why.
func (v *view) explained() string {
	_, words := v.called()
	n := v.handsNest()
	switch {
	case v.instead.result:
		return v.instead.words
	case v.snap.Hands.Code == station.HandsEmitter: // nothing else counts
	case v.snap.Hands.Code == station.HandsClear && n != nil && n.Trouble != nil:
		return words + " " + v.lang.say(n.Trouble.Code, n.Trouble.Args) // what to do, and why
	case n != nil && n.Verdict != nil && n.Verdict.Released() && !n.Verdict.Again && v.snap.Hands.Code == station.HandsPassed:
		// The bin stands in block letters; the instruction says it in words.
		return v.lang.say(v.snap.Hands.Code, v.snap.Hands.Args) + " " + v.reason(n)
	case n != nil && n.Verdict != nil:
		return words + " " + v.reason(n)
	case n != nil && n.Trouble != nil:
		return words + " " + v.lang.sentence(n.Trouble.Code, n.Trouble.Args)
	}
	return words
}
