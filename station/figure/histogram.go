package figure

import (
	"fmt"
	"html"
	"math"
	"strings"

	"example.org/panecal/limits/visible"
)

// Histogram is one zone's capture and what was fitted to it, counts per shot in
// each bin. Leakage, Ambient and Signal are drawn on top of one another; nil is
// not drawn.
type Histogram struct {
	Title             string
	FirstBinPS, BinPS float64
	Counted, SD       []float64
	Leakage, Ambient  []float64
	Signal            []float64
	Notes             []string // lines below, such as a budget
}

const millimetresPerPS = 0.299792458 / 2

// fitted is what should have been counted in a bin.
func (h Histogram) fitted(b int) (ambient, leakage, signal float64) {
	at := func(v []float64) float64 {
		if b < len(v) && finite(v[b]) {
			return v[b]
		}
		return 0
	}
	return at(h.Ambient), at(h.Leakage), at(h.Signal)
}

// Residual is by how many standard deviations a bin counted too much.
func (h Histogram) Residual(b int) float64 {
	if b >= len(h.SD) || !(h.SD[b] > 0) {
		return math.NaN()
	}
	a, l, s := h.fitted(b)
	return (h.Counted[b] - a - l - s) / h.SD[b]
}

// most is the highest bin.
func (h Histogram) most() float64 {
	m := 0.0
	for b, v := range h.Counted {
		a, l, s := h.fitted(b)
		m = max(m, a+l+s)
		if finite(v) {
			m = max(m, v)
		}
	}
	return m
}

// chi is the sum of the squared residuals, and of how many bins.
func (h Histogram) chi() (sum float64, bins int) {
	for b := range h.Counted {
		if r := h.Residual(b); finite(r) {
			sum, bins = sum+r*r, bins+1
		}
	}
	return sum, bins
}

// Text draws the histogram in a terminal of a width, a line a bin, as many lines
// as most (0: all): those that hold most, in their order. Heights are square
// roots of counts: . is ambient, L leakage, # signal, | what was counted.
func (h Histogram) Text(width, most int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n. ambient  L leakage  # signal  | counted; square roots\n", visible.Text(h.Title))
	top := h.most()
	from, to := 0, len(h.Counted)
	if most > 0 && to > most {
		best := math.Inf(-1)
		for i := 0; i+most <= len(h.Counted); i++ {
			sum := 0.0
			for k := i; k < i+most; k++ {
				if finite(h.Counted[k]) {
					sum += math.Sqrt(max(0, h.Counted[k]))
				}
			}
			if sum > best {
				best, from = sum, i
			}
		}
		to = from + most
	}
	room := max(10, width-36)
	place := func(v float64) int {
		if !(top > 0) || !(v > 0) {
			return 0
		}
		return min(room-1, int(math.Sqrt(v/top)*float64(room-1)+0.5))
	}
	fmt.Fprintf(&b, "%8s %7s %10s  %s %s\n", "ps", "mm", "{c}/{shot}", strings.Repeat(" ", room), "sd off")
	for i := from; i < to; i++ {
		a, l, s := h.fitted(i)
		bar := []byte(strings.Repeat(" ", room))
		for k := range bar {
			switch {
			case k < place(a):
				bar[k] = '.'
			case k < place(a+l):
				bar[k] = 'L'
			case k < place(a+l+s):
				bar[k] = '#'
			}
		}
		off := "     -"
		if r := h.Residual(i); finite(r) {
			off = fmt.Sprintf("%6.1f", math.Round(10*r)/10+0)
		}
		bar[place(h.Counted[i])] = '|'
		ps := h.FirstBinPS + (float64(i)+0.5)*h.BinPS
		fmt.Fprintf(&b, "%8.0f %7.1f %10.3g  %s %s\n", ps, ps*millimetresPerPS, h.Counted[i], bar, off)
	}
	if from > 0 || to < len(h.Counted) {
		fmt.Fprintf(&b, "bins %d to %d of %d\n", from+1, to, len(h.Counted))
	}
	sum, bins := h.chi()
	fmt.Fprintf(&b, "sum of squared residuals %.1f in %d bins\n", sum, bins)
	for _, n := range h.Notes {
		fmt.Fprintf(&b, "%s\n", visible.Text(n))
	}
	return b.String()
}

// Size of the parts of an SVG, px.
const (
	plotWide, plotHigh = 640, 220
	restHigh           = 80
	plotLeft, plotTop  = 56, 44
	lineHigh           = 15
	mostOff            = 6 // standard deviations at the edge of the residuals
)

// SVG draws the histogram as an element to put into a page: what was fitted as
// areas in three greys, what was counted as a line, heights as square roots,
// residuals below, notes as text.
func (h Histogram) SVG() string {
	var b strings.Builder
	n := max(len(h.Counted), 1)
	top := h.most()
	high := plotTop + plotHigh + 24 + restHigh + 30 + lineHigh*(len(h.Notes)+2)
	sum, bins := h.chi()
	told := fmt.Sprintf("%d bins of %g ps from %g ps; highest %.3g counts per shot; squared residuals %.1f in %d bins", len(h.Counted), h.BinPS, h.FirstBinPS, top, sum, bins)
	open(&b, plotLeft+plotWide+8, high, visible.Text(h.Title), told)
	text := func(x, y int, anchor, s string) {
		fmt.Fprintf(&b, `<text x="%d" y="%d" font-size="12" text-anchor="%s" fill="#000">%s</text>`, x, y, anchor, html.EscapeString(visible.Text(s)))
	}
	x := func(bin float64) float64 { return plotLeft + bin/float64(n)*plotWide }
	y := func(v float64) float64 {
		if !(top > 0) || !(v > 0) {
			return plotTop + plotHigh
		}
		return plotTop + plotHigh*(1-math.Sqrt(v/top))
	}
	text(0, 16, "start", h.Title)
	for i, part := range []struct{ fill, name string }{{"#e0e0e0", "ambient"}, {"#888", "leakage"}, {"#bbb", "signal"}} {
		fmt.Fprintf(&b, `<rect x="%d" y="24" width="12" height="12" fill="%s" stroke="#444"/>`, plotLeft+i*90, part.fill)
		text(plotLeft+16+i*90, 35, "start", part.name)
	}
	fmt.Fprintf(&b, `<path d="M%d 30h12" stroke="#000"/>`, plotLeft+270)
	text(plotLeft+286, 35, "start", "counted (heights: square roots)")
	area := func(fill string, low, up func(bin int) float64) {
		fmt.Fprintf(&b, `<path fill="%s" d="M%.1f %.1f`, fill, x(0), y(low(0)))
		for i := range h.Counted {
			fmt.Fprintf(&b, "V%.1fH%.1f", y(up(i)), x(float64(i+1)))
		}
		for i := len(h.Counted) - 1; i >= 0; i-- {
			fmt.Fprintf(&b, "V%.1fH%.1f", y(low(i)), x(float64(i)))
		}
		b.WriteString(`Z"/>`)
	}
	zero := func(int) float64 { return 0 }
	one := func(i int) float64 { a, _, _ := h.fitted(i); return a }
	two := func(i int) float64 { a, l, _ := h.fitted(i); return a + l }
	three := func(i int) float64 { a, l, s := h.fitted(i); return a + l + s }
	if len(h.Counted) > 0 {
		area("#e0e0e0", zero, one)
		area("#888", one, two)
		area("#bbb", two, three)
		fmt.Fprintf(&b, `<path fill="none" stroke="#000" d="M%.1f %.1f`, x(0), y(h.Counted[0]))
		for i, v := range h.Counted {
			fmt.Fprintf(&b, "V%.1fH%.1f", y(v), x(float64(i+1)))
		}
		b.WriteString(`"/>`)
	}
	fmt.Fprintf(&b, `<path fill="none" stroke="#444" d="M%d %dV%dH%d"/>`, plotLeft, plotTop, plotTop+plotHigh, plotLeft+plotWide)
	text(plotLeft-4, plotTop+10, "end", fmt.Sprintf("%.2g", top))
	text(plotLeft-4, plotTop+plotHigh, "end", "0")
	for k := range 3 { // more would run into one another
		bin := float64(k) / 2 * float64(n)
		ps := h.FirstBinPS + bin*h.BinPS
		anchor := [...]string{"start", "middle", "end"}[k]
		text(int(x(bin)), plotTop+plotHigh+15, anchor, fmt.Sprintf("%.0f ps, %.0f mm", ps, ps*millimetresPerPS))
	}
	middle := plotTop + plotHigh + 24 + restHigh/2
	fmt.Fprintf(&b, `<path fill="none" stroke="#444" d="M%d %dH%dM%d %dV%d"/>`, plotLeft, middle, plotLeft+plotWide, plotLeft, middle-restHigh/2, middle+restHigh/2)
	text(plotLeft-4, middle-restHigh/2+10, "end", fmt.Sprintf("+%d sd", mostOff))
	text(plotLeft-4, middle+restHigh/2, "end", fmt.Sprintf("−%d sd", mostOff))
	for i := range h.Counted {
		if r := h.Residual(i); finite(r) {
			fmt.Fprintf(&b, `<path stroke="#000" d="M%.1f %dV%.1f"/>`, x(float64(i)+0.5), middle, float64(middle)-max(-mostOff, min(mostOff, r))*restHigh/2/mostOff)
		}
	}
	for i, s := range append([]string{"below: residuals in standard deviations", told}, h.Notes...) {
		text(plotLeft, middle+restHigh/2+16+i*lineHigh, "start", s)
	}
	b.WriteString("</svg>")
	return b.String()
}
