package screen

import (
	"strings"

	"github.com/charmbracelet/x/ansi"

	"example.org/panecal/station/screen/term"
)

// rect is a part of the screen, in cells.
type rect struct{ x, y, w, h int }

// canvas is a picture of w x h cells. What lies outside is not drawn: no line
// is ever wider than the screen. It keeps count of what was lost, so that
// tests can say "none".
type canvas struct {
	w, h  int
	cells []cell
	ascii bool

	cut     int // characters that lay outside, or texts shortened to fit
	overlap int // characters drawn over other characters
}

// cell is one place of the picture. A wide character fills two: the second
// has rune 0.
type cell struct {
	r    rune
	tone term.Tone
}

func newCanvas(w, h int, ascii bool) *canvas {
	c := &canvas{w: w, h: h, cells: make([]cell, w*h), ascii: ascii}
	for i := range c.cells {
		c.cells[i].r = ' '
	}
	return c
}

// text draws s, which is cleaned, in one row from (x, y).
func (c *canvas) text(x, y int, tone term.Tone, s string) {
	for _, r := range term.Clean(s) {
		x += c.put(x, y, tone, r)
	}
}

// put draws one rune and returns its width.
func (c *canvas) put(x, y int, tone term.Tone, r rune) int {
	if c.ascii {
		r = term.Plainest(r)
	}
	w := runeWidth(r)
	if w == 0 {
		return 0
	}
	if x < 0 || y < 0 || y >= c.h || x+w > c.w {
		c.cut++
		return w
	}
	at := &c.cells[y*c.w+x]
	if at.r != ' ' && r != ' ' {
		c.overlap++
	}
	*at = cell{r, tone}
	if w == 2 {
		c.cells[y*c.w+x+1] = cell{0, tone}
	}
	return w
}

// fill gives every cell of a the tone, keeping what is drawn there.
func (c *canvas) fill(a rect, tone term.Tone) {
	for y := max(a.y, 0); y < min(a.y+a.h, c.h); y++ {
		for x := max(a.x, 0); x < min(a.x+a.w, c.w); x++ {
			c.cells[y*c.w+x].tone = tone
		}
	}
}

// letters draws s in block letters, centred in a, and returns whether it fits.
// It draws nothing that does not.
func (c *canvas) letters(a rect, font term.Font, tone term.Tone, s string) bool {
	width := font.Width(s)
	if width > a.w || font.Rows() > a.h || !font.Has(s) {
		return false
	}
	x := a.x + (a.w-width)/2
	for i, line := range font.Lines(s, c.block()) {
		at := x
		for _, r := range line {
			if r != ' ' {
				c.put(at, a.y+i, tone, r)
			}
			at++
		}
	}
	return true
}

// paragraph draws s in words over the rows of a, and returns the rows used. A
// text that needs more rows than a has ends in an ellipsis.
func (c *canvas) paragraph(a rect, tone term.Tone, s string) int {
	if a.w <= 0 || a.h <= 0 || s == "" {
		return 0
	}
	if c.ascii {
		s = term.Spell(s)
	}
	lines := wrap(s, a.w)
	for i, line := range lines {
		if i == a.h-1 && len(lines) > a.h {
			c.cut++
			c.text(a.x, a.y+i, tone, shorten(line+" "+lines[i+1], a.w, c.ascii))
			return a.h
		}
		c.text(a.x, a.y+i, tone, line)
	}
	return len(lines)
}

// block is what block letters and bars are made of.
func (c *canvas) block() rune {
	if c.ascii {
		return '#'
	}
	return '█'
}

// render returns the picture as lines for a terminal of depth d. Spaces at the
// end of a line that have no tone are left out.
func (c *canvas) render(d term.Depth) string {
	var b strings.Builder
	b.Grow(len(c.cells) + len(c.cells)/2)
	for y := range c.h {
		row := c.cells[y*c.w : (y+1)*c.w]
		end := len(row)
		for end > 0 && row[end-1].r == ' ' && (d == term.Colourless || row[end-1].tone <= term.Strong) {
			end--
		}
		tone := term.Plain
		for _, k := range row[:end] {
			if k.r == 0 {
				continue
			}
			if k.tone != tone {
				b.WriteString(d.End(tone))
				tone = k.tone
				b.WriteString(d.Start(tone))
			}
			b.WriteRune(k.r)
		}
		b.WriteString(d.End(tone))
		if y < c.h-1 {
			b.WriteByte('\n')
		}
	}
	return b.String()
}

// runeWidth returns the cells that r takes. Drawing characters always take
// one, whatever the locale says of their ambiguous width.
func runeWidth(r rune) int {
	if r < 0x300 || r >= 0x2500 && r < 0x25A0 {
		return 1
	}
	return ansi.StringWidth(string(r))
}

func width(s string) int {
	n := 0
	for _, r := range s {
		n += runeWidth(r)
	}
	return n
}

// wrap breaks s, cleaned, into lines of at most w cells, at spaces where it
// can.
func wrap(s string, w int) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(term.Clean(s)) {
		if line != "" && width(line)+1+width(word) <= w {
			line += " " + word
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		for width(word) > w {
			head, rest := splitAt(word, w)
			lines = append(lines, head)
			word = rest
		}
		line = word
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// splitAt cuts s after at most w cells, but not before its first rune.
func splitAt(s string, w int) (head, rest string) {
	n := 0
	for i, r := range s {
		if n += runeWidth(r); n > w && i > 0 {
			return s[:i], s[i:]
		}
	}
	return s, ""
}

// shorten cuts s at its end to at most w cells and marks the cut.
func shorten(s string, w int, ascii bool) string {
	if width(s) <= w {
		return s
	}
	mark := ellipsis(ascii)
	if w <= width(mark) {
		return ""
	}
	head, _ := splitAt(s, w-width(mark))
	return strings.TrimRight(head, " ") + mark
}

// squeeze cuts s in its middle to at most w cells: both ends of a label tell
// more than its middle.
func squeeze(s string, w int, ascii bool) string {
	s = term.Clean(s)
	if width(s) <= w {
		return s
	}
	mark := ellipsis(ascii)
	keep := w - width(mark)
	if keep < 2 {
		return shorten(s, w, ascii)
	}
	head, _ := splitAt(s, keep/2)
	runes := []rune(s)
	tail := ""
	for i := len(runes) - 1; i >= 0 && width(tail)+runeWidth(runes[i]) <= keep-width(head); i-- {
		tail = string(runes[i]) + tail
	}
	return head + mark + tail
}

func ellipsis(ascii bool) string {
	if ascii {
		return ".."
	}
	return "…"
}
