package screen

import (
	"strings"

	"github.com/charmbracelet/lipgloss"

	"example.org/panecal/station"
	"example.org/panecal/station/screen/term"
	"example.org/panecal/station/shift"
)

// The sizes from which the screen has all its parts, and from which the block
// letters have seven rows.
const (
	fullWidth, fullHeight   = 80, 24
	largeWidth, largeHeight = 120, 40
	leastWidth, leastHeight = 40, 12
	leastPanel              = 20 // columns of a nest, border included
)

// view is everything a picture is made of.
type view struct {
	snap    station.Snapshot
	ready   bool // a snapshot has come
	ascii   bool
	letters term.Letters
	lang    *Language
	page    *shift.Page // takes the place of the nests, nil for none
	takt    float64     // units an hour that are wanted, 0 for none

	typed   string    // characters entered so far
	own     said      // what the screen itself has to say, no text when nothing
	instead interlude // what the letters say for a while
	asked   call      // what it asked, instead of the hands' sentence; no lines when nothing
	hints   []Hint    // labels to type

	last *field // the hands' field as it was drawn last, nil to keep none
}

// picture is what was drawn: the text for the terminal, and how much of what
// there was to say had no room.
type picture struct {
	text string
	cut  int
}

// draw makes the picture of w x h cells, styled by r.
func (v *view) draw(r *lipgloss.Renderer, w, h int) picture {
	s := &sheet{r: r, ascii: v.ascii, letters: v.letters, last: v.last}
	if v.ascii {
		s.letters = term.FullCells
	}
	var text string
	switch {
	case w <= 0 || h <= 0:
		return picture{}
	case w < leastWidth || h < leastHeight:
		text = v.drawRoom(s, w, h)
	case v.page != nil:
		text = v.drawPage(s, w, h)
	case w < fullWidth || h < fullHeight || len(v.snap.Nests)*leastPanel > w:
		text = v.drawPlain(s, w, h)
	default:
		text = v.drawFull(s, w, h)
	}
	lines := strings.Split(text, "\n")
	for i, line := range lines {
		lines[i] = strings.TrimRight(line, " ")
	}
	return picture{strings.Join(lines, "\n"), s.cut}
}

// drawRoom asks for a larger window.
func (v *view) drawRoom(s *sheet, w, h int) string {
	c := s.column(w, h, 0)
	lines := s.wrapped(fill(v.lang.words.enlarge, "w", leastWidth, "h", leastHeight), w)
	for _, line := range lines[:min(len(lines), h)] {
		c.line(term.Plain, line)
	}
	return c.render()
}

// drawFull has all parts: header, hands, nests, words, footer.
func (v *view) drawFull(s *sheet, w, h int) string {
	hands := callHeight(w, h)
	if h > fullHeight && !large(w, h) { // a row above the letters
		hands++
	}
	left := h - 2 - hands // header and footer take a row each
	// Of what is left the nests get their least, then the words theirs, then
	// both share.
	const leastNests, leastWords, mostNests = 7, 4, 11
	nests := min(leastNests+max(left-leastNests-leastWords, 0)*2/3, mostNests)
	return stack(v.header(s, w), v.drawHands(s, w, hands), v.drawNests(s, w, nests),
		v.drawWords(s, w, left-nests, large(w, h)), v.footer(s, w))
}

// large tells whether there is room for the largest letters.
func large(w, h int) bool { return w >= largeWidth && h >= largeHeight }
