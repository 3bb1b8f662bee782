package screen

import (
	"fmt"
	"strings"

	"example.org/panecal/station"
	"example.org/panecal/station/screen/term"
)

// drawPlain is the picture for a small window, or for more nests than stand
// side by side: the sentence, the verdict and one row a nest, in words.
func (v *view) drawPlain(c *canvas) {
	hands, words := v.called()
	a := rect{0, 0, c.w, c.h - 1}
	y := c.paragraph(a, hands.tone, words)
	c.fill(rect{0, 0, c.w, y}, hands.tone)
	bottom := a.y + a.h
	rows := len(v.snap.Nests)
	if n := v.handsNest(); n != nil && n.Verdict != nil {
		m := v.lang.mark(n.Verdict)
		c.text(0, y, m.tone, strings.TrimRight(fmt.Sprintf("%s  %s %s", m.word, v.lang.box(n.Verdict), v.lang.disposed(n.Verdict)), " "))
		c.fill(rect{0, y, c.w, 1}, m.tone)
		y++
		if text := v.lang.instruction(n.Verdict, argsOf(n)); text != "" {
			y += c.paragraph(rect{0, y, c.w, max(bottom-y-rows, 1)}, term.Strong, text)
		}
	}
	if v.own.text != "" && y < bottom {
		y += v.sayOwn(c, rect{1, y, c.w - 2, max(bottom-y-rows, 1)})
	}
	for i := range v.snap.Nests {
		if y >= bottom {
			break
		}
		if i == bottom-y-1 && i < rows-1 && y == bottom-1 {
			c.text(0, y, term.Plain, fill(v.lang.words.more, "n", rows-i))
			y++
			break
		}
		n := &v.snap.Nests[i]
		tone := term.Plain
		if n.Verdict != nil {
			tone = v.lang.mark(n.Verdict).tone
		}
		c.text(0, y, tone, v.lang.nestRow(n, c.w, c.ascii))
		y++
	}
	news := v.news()
	if n := v.handsNest(); n != nil && n.Verdict == nil && n.Trouble != nil {
		news = append([]station.Message{*n.Trouble}, news...)
	}
	for _, m := range news {
		text := v.lang.sentence(m.Code, m.Args)
		if len(wrap("! "+text, c.w-2)) > bottom-y {
			text = v.lang.say(m.Code, m.Args)
		}
		if len(wrap("! "+text, c.w-2)) > bottom-y {
			break
		}
		tone := term.Plain
		if alarming(m.Code) {
			tone = term.Hold
		}
		y += v.say(c, rect{1, y, c.w - 2, bottom - y}, tone, text)
	}
	if hints := v.hintLines(c.w, 1); len(hints) > 0 && y < bottom {
		c.text(0, bottom-1, term.Plain, shorten(hints[0], c.w, c.ascii))
	}
	v.drawEntry(c, c.h-1)
}

// drawEntry shows the label being entered, without the keys.
func (v *view) drawEntry(c *canvas, y int) {
	text := v.lang.words.entry + v.typed + "_"
	if v.typed == "" && v.snap.Label != "" {
		text = v.lang.words.open + v.snap.Label
	}
	c.text(0, y, term.Plain, squeeze(text, c.w, c.ascii))
}

// nestRow says a nest in one row of w cells, the less important parts only
// where there is room.
func (l *Language) nestRow(n *station.NestView, w int, ascii bool) string {
	row := l.aloud(n.Name) + ": "
	var more []string
	switch {
	case n.Verdict != nil:
		row += fmt.Sprintf("%s  %s", l.mark(n.Verdict).word, l.box(n.Verdict))
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
		if width(row+part) <= w {
			row += part
		}
	}
	return squeeze(row, w, ascii)
}
