package figure

import (
	"fmt"
	"html"
	"math"
	"strconv"
	"strings"

	"example.org/panecal/limits/visible"
)

// ZoneMap is one number a zone, row-major, row 0 on top, as the unit sees its
// field.
type ZoneMap struct {
	Title      string
	Unit       string // of the values, "" for none
	Rows, Cols int
	Values     []float64  // one a zone; not finite: not measured
	Flags      [][]string // of each zone, nil for none
	Low, High  float64    // ends of the shading; both 0: the smallest and the largest value
}

// shades are from little to much, in a terminal.
const shades = " .:-=+*%@"

// ends are the values at the two ends of the shading.
func (m ZoneMap) ends() (low, high float64) {
	if m.Low != 0 || m.High != 0 {
		return m.Low, m.High
	}
	low, high = math.Inf(1), math.Inf(-1)
	for _, v := range m.Values {
		if finite(v) {
			low, high = min(low, v), max(high, v)
		}
	}
	if low > high {
		return 0, 0
	}
	return low, high
}

// share is where a value stands between the ends, 0 to 1.
func (m ZoneMap) share(v float64) float64 {
	low, high := m.ends()
	if !(high > low) {
		return 0
	}
	return max(0, min(1, (v-low)/(high-low)))
}

// scale is a power of ten that brings the values to few digits, and its words.
func (m ZoneMap) scale() (by float64, words string) {
	most := 0.0
	for _, v := range m.Values {
		if finite(v) {
			most = max(most, math.Abs(v))
		}
	}
	e := 0
	if most > 0 {
		e = int(math.Floor(math.Log10(most)/3)) * 3
	}
	if e == 0 || most >= 0.1 && most < 10000 {
		return 1, m.Unit
	}
	if m.Unit == "" || m.Unit == "1" {
		return math.Pow10(-e), fmt.Sprintf("1e%d", e)
	}
	return math.Pow10(-e), fmt.Sprintf("1e%d %s", e, m.Unit)
}

// cell is what stands in a zone.
func (m ZoneMap) cell(z int, by float64) string {
	if z >= len(m.Values) || !finite(m.Values[z]) {
		if z < len(m.Flags) && len(m.Flags[z]) > 0 {
			return visible.Text(m.Flags[z][0])
		}
		return "-"
	}
	return fewDigits(m.Values[z] * by)
}

// fewDigits is a number in three digits.
func fewDigits(v float64) string {
	switch a := math.Abs(v); {
	case a >= 100:
		return strconv.FormatFloat(v, 'f', 0, 64)
	case a >= 10:
		return strconv.FormatFloat(v, 'f', 1, 64)
	}
	return strconv.FormatFloat(v, 'f', 2, 64)
}

// head is the title with its unit.
func (m ZoneMap) head() string {
	_, unit := m.scale()
	if unit == "" || unit == "1" {
		return visible.Text(m.Title)
	}
	return visible.Text(m.Title) + ", " + unit
}

// Text draws the map in a terminal: a value and a shade a zone. It is 8
// characters a column wide; where that is more than width (0: any) the values
// are left out, and the shades stand alone.
func (m ZoneMap) Text(width int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n", m.head())
	by, _ := m.scale()
	wide := width <= 0 || 8*m.Cols <= width
	for r := range m.Rows {
		for c := range m.Cols {
			z := r*m.Cols + c
			shade := "?"
			if z < len(m.Values) && finite(m.Values[z]) {
				shade = string(shades[int(m.share(m.Values[z])*float64(len(shades)-1)+0.5)])
			}
			if wide {
				fmt.Fprintf(&b, "%6.6s %s", m.cell(z, by), shade)
			} else {
				b.WriteString(shade + shade)
			}
		}
		b.WriteString("\n")
	}
	return b.String()
}

// Size of a zone in an SVG, px.
const (
	cellWide, cellHigh = 56, 32
	headHigh           = 26
)

// SVG draws the map as an element to put into a page: grey from light (little)
// to dark (much), and the value in every zone.
func (m ZoneMap) SVG() string {
	var b strings.Builder
	by, _ := m.scale()
	w, h := max(m.Cols*cellWide, 240), headHigh+m.Rows*cellHigh
	low, high := m.ends()
	open(&b, w, h, m.head(), fmt.Sprintf("%d rows of %d zones, row 1 on top, from %s (light) to %s (dark)", m.Rows, m.Cols, fewDigits(low*by), fewDigits(high*by)))
	fmt.Fprintf(&b, `<text x="0" y="16" font-size="13" fill="#000">%s</text>`, html.EscapeString(m.head()))
	for z := range m.Rows * m.Cols {
		x, y := z%m.Cols*cellWide, headHigh+z/m.Cols*cellHigh
		fill, ink := "#fff", "#000"
		if z < len(m.Values) && finite(m.Values[z]) {
			g := int(245 - 190*m.share(m.Values[z]))
			fill = fmt.Sprintf("#%02x%02x%02x", g, g, g)
			if g < 118 { // below it white has more contrast
				ink = "#fff"
			}
		}
		fmt.Fprintf(&b, `<rect x="%d" y="%d" width="%d" height="%d" fill="%s" stroke="#888"/>`, x, y, cellWide, cellHigh, fill)
		fmt.Fprintf(&b, `<text x="%d" y="%d" font-size="12" text-anchor="middle" fill="%s">%s</text>`, x+cellWide/2, y+20, ink, html.EscapeString(m.cell(z, by)))
	}
	b.WriteString("</svg>")
	return b.String()
}

// open begins an SVG that says what it shows.
func open(b *strings.Builder, w, h int, title, description string) {
	fmt.Fprintf(b, `<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%d" viewBox="0 0 %d %d" role="img" font-family="sans-serif"><title>%s</title><desc>%s</desc>`,
		w, h, w, h, html.EscapeString(title), html.EscapeString(description))
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
