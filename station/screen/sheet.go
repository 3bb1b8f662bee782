package screen

import (
	"strings"

	"github.com/charmbracelet/lipgloss"

	"example.org/panecal/limits/visible"
	"example.org/panecal/station/screen/term"
)

// sheet is what a picture is laid out with: blocks of rows, each as wide as
// asked, are styled, joined and placed by the renderer. It keeps count of what
// had no room, so that tests can say "none".
type sheet struct {
	r       *lipgloss.Renderer
	ascii   bool
	letters term.Letters
	last    *field // where the hands' field is kept, nil for nowhere
	cut     int    // texts shortened, rows left out
}

// stack puts blocks of one width on top of each other.
func stack(blocks ...string) string { return strings.Join(blocks, "\n") }

// clean makes a text fit for this terminal, before anything is measured.
func (s *sheet) clean(text string) string {
	text = visible.Text(text)
	if s.ascii {
		text = strings.Map(term.Plainest, term.Spell(text))
	}
	return text
}

// style is that of a tone.
func (s *sheet) style(t term.Tone) lipgloss.Style { return t.Style(s.r) }

// row is one row of w cells with pad free ones at both ends, shortened where it
// must be.
func (s *sheet) row(w, pad int, t term.Tone, text string) string {
	text = s.clean(text)
	if width(text) > w-2*pad {
		text = shorten(text, w-2*pad, s.ascii)
		s.cut++
	}
	return s.style(t).Padding(0, pad).Render(s.r.PlaceHorizontal(w-2*pad, lipgloss.Left, text))
}

// wrapped breaks a text into rows of at most w cells.
func (s *sheet) wrapped(text string, w int) []string { return wrap(s.clean(text), max(w, 1)) }

// block is what bars are made of.
func (s *sheet) block() string {
	if s.ascii {
		return "#"
	}
	return "█"
}

// written is a line in block letters of at most w cells and rows rows, as
// large as it fits, and false where it does not.
func (s *sheet) written(w, rows int, line string) (string, bool) {
	font, ok := s.letters.Fitting(line, w, rows)
	if !ok {
		return "", false
	}
	fill := '█'
	if s.ascii {
		fill = '#'
	}
	return strings.Join(font.Lines(line, fill), "\n"), true
}

// column is a block that is filled with rows from the top.
type column struct {
	*sheet
	w, h int
	pad  int // free cells at both ends of each row
	rows []string
}

func (s *sheet) column(w, h, pad int) *column { return &column{sheet: s, w: w, h: max(h, 0), pad: pad} }

// room is how many rows are left.
func (c *column) room() int { return c.h - len(c.rows) }

// add adds a row, if there is room for it.
func (c *column) add(row string) {
	if c.room() <= 0 {
		c.cut++
		return
	}
	c.rows = append(c.rows, row)
}

// signed is a text as it is said in a tone: what matters gets a sign besides
// its colour.
func signed(t term.Tone, text string) string {
	if t == term.Hold {
		return "! " + text
	}
	return text
}

// rowsOf is how many rows a text needs.
func (c *column) rowsOf(t term.Tone, text string) int {
	return len(c.wrapped(signed(t, text), c.w-2*c.pad))
}

// say adds a text as a paragraph, and leaves keep rows; what has no room ends
// in an ellipsis.
func (c *column) say(t term.Tone, text string, keep int) {
	c.paragraph(t, signed(t, text), keep)
}

// paragraph is say without a sign.
func (c *column) paragraph(t term.Tone, text string, keep int) {
	h, w := c.room()-keep, c.w-2*c.pad
	lines := c.wrapped(text, w)
	if text == "" || h <= 0 {
		return
	}
	if len(lines) > h {
		c.cut++
		lines[h-1] = shorten(lines[h-1]+" "+lines[h]+" ", w, c.ascii)
		lines = lines[:h]
	}
	for _, line := range lines {
		c.add(c.row(c.w, c.pad, t, line))
	}
}

// line adds a text as one row, if there is one and room for it.
func (c *column) line(t term.Tone, text string) {
	if text != "" && c.room() > 0 {
		c.add(c.row(c.w, c.pad, t, text))
	}
}

// down fills the column up, so that n rows are left.
func (c *column) down(n int) {
	for c.room() > n {
		c.rows = append(c.rows, "")
	}
}

// render is the column as a block of h rows of w cells.
func (c *column) render() string {
	return c.r.Place(c.w, c.h, lipgloss.Left, lipgloss.Top, strings.Join(c.rows, "\n"))
}
