package desk

import (
	"math"
	"strings"

	"example.org/panecal/station/screen/term"
)

// canvas is cells that are drawn upon, row 0 on top.
type canvas struct {
	paint
	cells [][]rune
	tones [][]term.Tone
}

func (p paint) canvas(width, height int) *canvas {
	c := &canvas{paint: p, cells: make([][]rune, height), tones: make([][]term.Tone, height)}
	for i := range c.cells {
		c.cells[i] = []rune(strings.Repeat(" ", width))
		c.tones[i] = make([]term.Tone, width)
	}
	return c
}

// put draws a sign, where that is on the canvas.
func (c *canvas) put(x, y int, r rune, t term.Tone) {
	if y >= 0 && y < len(c.cells) && x >= 0 && x < len(c.cells[y]) {
		c.cells[y][x], c.tones[y][x] = r, t
	}
}

// text writes from x on.
func (c *canvas) text(x, y int, s string) {
	for i, r := range []rune(s) {
		c.put(x+i, y, r, term.Plain)
	}
}

// bar draws a column from the bottom of rows up, level of it, 0 to 1. More than
// nothing is always seen. Out is for what lies beyond a limit.
func (c *canvas) bar(x, rows int, level float64, out bool) {
	if !(level > 0) {
		return
	}
	parts, full, tone := []rune("▁▂▃▄▅▆▇█"), c.sign('█', '#'), term.Plain
	if c.ascii {
		parts = []rune("..::||##")
	}
	if out {
		full, tone = c.sign('▒', 'x'), term.Failed
	}
	eighths := max(1, int(math.Round(min(level, 1)*float64(rows)*8)))
	for y := range rows {
		left := eighths - 8*y
		switch {
		case left >= 8:
			c.put(x, rows-1-y, full, tone)
		case left > 0:
			r := parts[left-1]
			if out {
				r = c.sign('░', 'x')
			}
			c.put(x, rows-1-y, r, tone)
		}
	}
}

// line draws a sign down the empty cells of a column.
func (c *canvas) line(x, rows int, r rune) {
	for y := range rows {
		if x >= 0 && x < len(c.cells[y]) && c.cells[y][x] == ' ' {
			c.put(x, y, r, term.Plain)
		}
	}
}

// across draws a sign along the empty cells of a row.
func (c *canvas) across(y, from int, r rune) {
	if y < 0 || y >= len(c.cells) {
		return
	}
	for x := from; x < len(c.cells[y]); x++ {
		if c.cells[y][x] == ' ' {
			c.put(x, y, r, term.Plain)
		}
	}
}

// String returns the lines; cells of one tone in a row are styled together.
func (c *canvas) String() string {
	var b strings.Builder
	for y, row := range c.cells {
		for x := 0; x < len(row); {
			end := x + 1
			for end < len(row) && c.tones[y][end] == c.tones[y][x] {
				end++
			}
			if t := c.tones[y][x]; t == term.Plain {
				b.WriteString(string(row[x:end]))
			} else {
				b.WriteString(c.tone(t, string(row[x:end])))
			}
			x = end
		}
		b.WriteByte('\n')
	}
	return b.String()
}

// axis is what a chart's width stands for.
type axis struct {
	from, to float64
	cells    int
}

func (a axis) at(v float64) int {
	if !(a.to > a.from) {
		return 0
	}
	return int(math.Floor((v - a.from) / (a.to - a.from) * float64(a.cells)))
}

// inside says that a value has a cell.
func (a axis) inside(v float64) bool { return v >= a.from && v <= a.to }

// step is a round number (1, 2 or 5 times a power of ten) of about a cell.
func (a axis) step() float64 {
	wide := (a.to - a.from) / float64(max(1, a.cells))
	if !(wide > 0) || math.IsInf(wide, 0) {
		return 1
	}
	power := math.Pow(10, math.Floor(math.Log10(wide)))
	for _, m := range []float64{5, 2} {
		if m*power <= wide {
			return m * power
		}
	}
	return power
}

// spread chooses what is shown of some values, ascending: all but the outermost
// in a thousand, and the limits unless they are far off.
func spread(sorted []float64, limits ...float64) (from, to float64) {
	if len(sorted) == 0 {
		return 0, 1
	}
	n := len(sorted)
	from, to = sorted[n/1000], sorted[n-1-n/1000]
	wide := max(to-from, math.Abs(to)*1e-6, 1e-12)
	for _, v := range limits {
		if !math.IsNaN(v) && v > from-6*wide && v < to+6*wide {
			from, to = min(from, v), max(to, v)
		}
	}
	pad := max(to-from, wide) / 25
	return from - pad, to + pad
}
