package screen

import (
	"strings"

	"example.org/panecal/station"
	"example.org/panecal/station/screen/term"
	"example.org/panecal/station/shift"
)

// lines is all there is to read on a page.
func (l *Language) lines(p *shift.Page) []string {
	var all []string
	for _, m := range p.About {
		all = append(all, l.sentence(m.Code, m.Args))
	}
	if p.Now != "" {
		all = append(all, "= "+p.Now)
	}
	if p.HandOver != nil {
		all = append(all, l.HandOver(*p.HandOver)...)
	}
	return append(all, l.pages[p.Kind].more...)
}

// table says rows in columns, two spaces apart.
func (l *Language) table(rows [][]station.Arg) []string {
	var wide []int
	for _, row := range rows {
		for i, a := range row {
			if i == len(wide) {
				wide = append(wide, 0)
			}
			wide[i] = max(wide[i], width(l.arg(a)))
		}
	}
	var lines []string
	for _, row := range rows {
		var line strings.Builder
		for i, a := range row {
			text := l.arg(a)
			line.WriteString(text + strings.Repeat(" ", wide[i]-width(text)+2))
		}
		lines = append(lines, strings.TrimRight(line.String(), " "))
	}
	return lines
}

// drawPage draws the page over the whole picture but its header and footer.
func (v *view) drawPage(c *canvas) {
	text := v.lang.pages[v.page.Kind]
	full := c.w >= fullWidth && c.h >= fullHeight
	a := rect{1, 0, c.w - 2, c.h - 1}
	tone := term.Action
	if v.page.Kind == shift.CautionPage {
		tone = term.Hold
	}
	if full {
		font, pad := term.Five(), 0
		if c.w >= largeWidth && c.h >= largeHeight {
			font, pad = term.Seven(), 1
		}
		hands := rect{0, 1, c.w, 2*font.Rows() + 1 + 2*pad}
		v.drawHeader(c)
		show := call{lines: text.call, tone: tone}
		if v.instead.call.lines[0] != "" {
			show = v.instead.call
		}
		if v.asked.lines[0] != "" {
			show = v.asked
		}
		v.drawCall(c, hands, font, pad, show, text.say)
		a.y = hands.y + hands.h + 1
		a.h -= a.y
	}
	bottom := a.y + a.h
	gap := 0
	if full && a.h > 14 {
		gap = 1
	}
	if v.own.text != "" {
		a.y += v.sayOwn(c, rect{a.x, a.y, a.w, bottom - a.y})
	}
	used := c.paragraph(rect{a.x, a.y, a.w, bottom - a.y}, term.Strong, text.say)
	if !full {
		c.fill(rect{0, a.y, c.w, used}, tone)
	}
	a.y += used + gap
	for _, row := range v.lang.table(v.page.Rows) {
		if a.y >= bottom {
			c.cut++
			break
		}
		c.text(a.x, a.y, term.Plain, shorten(row, a.w, c.ascii))
		a.y++
	}
	lines := v.lang.lines(v.page)
	if !full { // what is long is read where there is room, its beginning here
		lines = heads(lines, a.w, bottom-a.y)
	}
	for _, line := range lines {
		if a.y >= bottom {
			c.cut++
			break
		}
		a.y += c.paragraph(rect{a.x, a.y, a.w, bottom - a.y}, term.Plain, line) + gap
	}
	v.drawPageEntry(c, c.h-1)
}

// heads shortens lines to their first sentence where all of them do not fit
// in h rows.
func heads(lines []string, w, h int) []string {
	rows := 0
	for _, line := range lines {
		rows += len(wrap(line, w))
	}
	if rows <= h {
		return lines
	}
	var short []string
	for _, line := range lines {
		if i := strings.IndexAny(line, ".:"); i >= 0 {
			line = line[:i] + "."
		}
		short = append(short, line)
	}
	return short
}

// drawPageEntry shows what is being entered.
func (v *view) drawPageEntry(c *canvas, y int) {
	const leastEntry = 24
	keys := fewer(v.lang.words.pageKeys, c.w-leastEntry, true)
	if c.w < fullWidth {
		keys = ""
	}
	c.text(c.w-width(keys)-1, y, term.Plain, keys)
	typed := v.typed
	if v.page.Masked {
		typed = strings.Repeat("*", width(typed))
	}
	c.text(1, y, term.Strong, squeeze(v.lang.words.pageEntry+typed+"_", c.w-width(keys)-4, c.ascii))
}
