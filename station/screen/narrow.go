package screen

import (
	"fmt"
	"strings"

	"example.org/panecal/station"
	"example.org/panecal/station/screen/term"
)

// drawPlain is the picture for a small window, or for more nests than stand
// side by side: the sentence, the verdict and one row a nest, in words.
func (v *view) drawPlain(s *sheet, w, h int) string {
	hands, words := v.called()
	if v.instead.words != "" {
		hands, words = v.instead.call, v.instead.words
	}
	c := s.column(w, h-1, 0)
	c.paragraph(hands.tone, words, 0)
	rows := len(v.snap.Nests)
	if n := v.handsNest(); n != nil && n.Verdict != nil {
		m := v.lang.mark(n.Verdict)
		c.line(m.tone, strings.TrimRight(fmt.Sprintf("%s  %s %s", m.word, v.lang.box(n.Verdict), v.lang.disposed(n.Verdict)), " "))
		c.paragraph(term.Strong, v.lang.instruction(n.Verdict, argsOf(n)), min(rows, max(c.room()-1, 0)))
	}
	if v.own.text != "" {
		c.pad = 1
		v.sayOwn(c, min(rows, max(c.room()-1, 0)))
		c.pad = 0
	}
	for i := range v.snap.Nests {
		if c.room() <= 0 {
			break
		}
		if c.room() == 1 && i < rows-1 {
			c.line(term.Plain, fill(v.lang.words.more, "n", rows-i))
			break
		}
		n := &v.snap.Nests[i]
		tone := term.Plain
		if n.Verdict != nil {
			tone = v.lang.mark(n.Verdict).tone
		}
		c.line(tone, v.lang.nestRow(s, n, w))
	}
	hints := v.hintLines(s, w, 1)
	c.pad = 1
	news := v.news()
	if n := v.handsNest(); n != nil && n.Verdict == nil && n.Trouble != nil {
		news = append([]station.Message{*n.Trouble}, news...)
	}
	for _, m := range news {
		tone := term.Plain
		if alarming(m.Code) {
			tone = term.Hold
		}
		text := v.lang.sentence(m.Code, m.Args)
		if c.rowsOf(tone, text) > c.room() {
			text = v.lang.say(m.Code, m.Args)
		}
		if c.rowsOf(tone, text) > c.room() {
			break
		}
		c.say(tone, text, 0)
	}
	c.pad = 0
	if len(hints) > 0 && c.room() > 0 {
		c.down(1)
		c.line(term.Plain, shorten(hints[0], w, s.ascii))
	}
	return stack(c.render(), v.drawEntry(s, w))
}

// drawEntry shows the label being entered, without the keys.
func (v *view) drawEntry(s *sheet, w int) string {
	text := v.lang.words.entry + v.typed + "_"
	if v.typed == "" && v.snap.Label != "" {
		text = v.lang.words.open + v.snap.Label
	}
	return s.row(w, 0, term.Plain, squeeze(s.clean(text), w, s.ascii))
}

// nestRow says a nest in one row of w cells, the less important parts only
// where there is room.
func (l *Language) nestRow(s *sheet, n *station.NestView, w int) string {
	row := l.aloud(n.Name) + ": "
	var more []string
	switch {
	case n.Verdict != nil:
		row += fmt.Sprintf("%s  %s", l.mark(n.Verdict).word, l.box(n.Verdict))
	case n.Last != nil:
		r := &n.Last.Verdict
		row += fmt.Sprintf("%s  %s %s", l.phase(n.Step), l.mark(r).word, l.box(r))
		more = append(more, "  "+r.Args.Label)
	case n.Total > 0 && captures(n.Step):
		row += fmt.Sprintf("%s %d %%", l.phase(n.Step), percent(n))
		more = append(more, l.remaining(n.Remaining))
	default:
		row += l.phase(n.Step)
	}
	if n.Label != "" {
		more = append(more, "  "+n.Label)
	}
	for _, part := range more {
		if width(s.clean(row+part)) <= w {
			row += part
		}
	}
	return squeeze(s.clean(row), w, s.ascii)
}
