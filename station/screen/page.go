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
	if p.Figures != nil {
		all = append(all, l.figures(p.Figures)...)
	}
	if p.HandOver != nil {
		all = append(all, l.HandOver(*p.HandOver)...)
	}
	return append(all, l.pages[p.Kind].more...)
}

// table says rows in columns, two spaces apart, as many of them as w cells take.
func (l *Language) table(rows [][]station.Arg, w int) []string {
	var wide []int
	for _, row := range rows {
		for i, a := range row {
			if i == len(wide) {
				wide = append(wide, 0)
			}
			wide[i] = max(wide[i], width(l.arg(a)))
		}
	}
	for total := 0; len(wide) > 0; wide, total = wide[:len(wide)-1], 0 {
		for _, w := range wide {
			total += w + 2
		}
		if total-2 <= w {
			break
		}
	}
	var lines []string
	for _, row := range rows {
		var line strings.Builder
		for i, a := range row[:min(len(row), len(wide))] {
			text := l.arg(a)
			line.WriteString(text + strings.Repeat(" ", wide[i]-width(text)+2))
		}
		lines = append(lines, strings.TrimRight(line.String(), " "))
	}
	return lines
}

// drawPage draws the page over the whole picture but its header and footer.
func (v *view) drawPage(s *sheet, w, h int) string {
	text := v.lang.pages[v.page.Kind]
	if w < fullWidth || h < fullHeight {
		return stack(v.pageWords(s, w, h-1, false), v.pageEntry(s, w))
	}
	tone := term.Action
	if v.page.Kind == shift.CautionPage {
		tone = term.Hold
	}
	show := call{lines: text.call, tone: tone}
	if v.instead.call.lines[0] != "" {
		show = v.instead.call
	}
	if v.asked.lines[0] != "" {
		show = v.asked
	}
	hands := callHeight(w, h) + 1
	return stack(v.header(s, w), drawCall(s, w, hands, show, text.say), v.pageWords(s, w, h-2-hands, true), v.pageEntry(s, w))
}

// pageWords are the sentences of a page, in h rows; letters says it already
// where they stand above.
func (v *view) pageWords(s *sheet, w, h int, letters bool) string {
	text := v.lang.pages[v.page.Kind]
	c := s.column(w, h, 1)
	gap := letters && h > 14
	space := func() {
		if gap {
			c.line(term.Plain, " ")
		}
	}
	if letters {
		c.line(term.Plain, " ")
	}
	if v.own.text != "" {
		v.sayOwn(c, 0)
	}
	tone := term.Strong
	if !letters {
		tone = term.Action
		if v.page.Kind == shift.CautionPage {
			tone = term.Hold
		}
	}
	c.paragraph(tone, text.say, 0)
	space()
	rows := v.lang.table(v.page.Rows, c.w-2)
	for i, row := range rows {
		if c.room() == 1 && i < len(rows)-1 {
			c.line(term.Plain, fill(v.lang.words.more, "n", len(rows)-i))
			break
		}
		c.line(term.Plain, row)
	}
	lines := v.lang.lines(v.page)
	if !letters { // what is long is read where there is room, its beginning here
		lines = heads(lines, c.w-2, c.room())
	}
	for _, line := range lines {
		if c.room() <= 0 {
			s.cut++
			break
		}
		c.paragraph(term.Plain, line, 0)
		space()
	}
	return c.render()
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

// pageEntry shows what is being entered.
func (v *view) pageEntry(s *sheet, w int) string {
	typed := v.typed
	if v.page.Masked {
		typed = strings.Repeat("*", width(typed))
	}
	keys := v.lang.words.pageKeys
	if w < fullWidth {
		keys = ""
	}
	return v.entry(s, w, term.Strong, v.lang.words.pageEntry+typed+"_", keys)
}
