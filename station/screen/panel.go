package screen

import (
	"fmt"
	"strings"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/screen/term"
)

// drawNests draws the nests side by side, in the order in which they stand on
// the bench.
func (v *view) drawNests(c *canvas, a rect) {
	n := len(v.snap.Nests)
	hands, _ := v.called()
	for i := range v.snap.Nests {
		x := a.x + a.w*i/n
		called := v.snap.Hands.Nest == i && hands.tone != term.Plain
		v.drawNest(c, rect{x, a.y, a.x + a.w*(i+1)/n - x, a.h}, &v.snap.Nests[i], called)
	}
}

// drawNest draws one nest: name and bin in its upper edge, the label in its
// lower one, in between the verdict, or what it does. The nest the hands are
// called to has a pointer.
func (v *view) drawNest(c *canvas, a rect, n *station.NestView, called bool) {
	tone := term.Plain
	name, title := v.lang.aloud(n.Name), ""
	var m mark
	switch {
	case n.Verdict != nil:
		m = v.lang.mark(n.Verdict)
		tone = m.tone
		title = " " + v.lang.box(n.Verdict)
	case n.Step == station.Stopped:
		tone = term.Hold
	case called:
		tone = term.Action
	}
	border(c, a, tone)
	if called {
		title = pointer(c) + name + title
	} else {
		title = name + title
	}
	if width(title) > a.w-6 { // the bare name rather than a cut one
		title = strings.Replace(title, name, n.Name, 1)
	}
	edge := rect{a.x + 2, a.y, a.w - 4, 1}
	onEdge(c, edge, title, tone)
	edge.y = a.y + a.h - 1
	if n.Label != "" {
		onEdge(c, edge, n.Label, tone)
	} else if n.UnitID != "" {
		onEdge(c, edge, n.UnitID, tone)
	}

	inner := rect{a.x + 1, a.y + 1, a.w - 2, a.h - 2}
	if n.Verdict != nil {
		v.drawVerdict(c, inner, n, m)
	} else {
		v.drawProgress(c, rect{inner.x + 1, inner.y, inner.w - 2, inner.h}, n)
	}
	if n.Verdict != nil || n.Step == station.Stopped {
		c.fill(inner, tone)
	}
}

func pointer(c *canvas) string {
	if c.ascii {
		return ">"
	}
	return "►"
}

// onEdge writes s into an edge, over the border.
func onEdge(c *canvas, a rect, s string, tone term.Tone) {
	s = " " + squeeze(s, a.w-2, c.ascii) + " "
	for i := range width(s) { // make room in the border
		c.cells[a.y*c.w+a.x+i] = cell{' ', tone}
	}
	c.text(a.x, a.y, tone, s)
}

// border draws the edge of a nest. Its shape tells the state without colour:
// solid passed, hatched failed, dashed hold or stopped, double called, thin
// the rest.
func border(c *canvas, a rect, tone term.Tone) {
	across, down, corners := '─', '│', [4]rune{'┌', '┐', '└', '┘'}
	if c.ascii {
		across, down, corners = '-', '|', [4]rune{'+', '+', '+', '+'}
	}
	all := func(r rune) {
		across, down, corners = r, r, [4]rune{r, r, r, r}
	}
	dashed := false
	switch tone {
	case term.Passed:
		all(c.block())
	case term.Failed:
		all(hatch(c))
	case term.Hold:
		all(c.block())
		dashed = true
	case term.Action:
		across, down, corners = '═', '║', [4]rune{'╔', '╗', '╚', '╝'}
		if c.ascii {
			across, down, corners = '=', '"', [4]rune{'"', '"', '"', '"'}
		}
	}
	right, bottom := a.x+a.w-1, a.y+a.h-1
	for x := a.x; x <= right; x++ {
		if dashed && (x-a.x)%3 == 2 {
			continue
		}
		c.put(x, a.y, tone, across)
		c.put(x, bottom, tone, across)
	}
	for y := a.y + 1; y < bottom; y++ {
		if dashed && (y-a.y)%2 == 1 {
			continue
		}
		c.put(a.x, y, tone, down)
		c.put(right, y, tone, down)
	}
	for i, p := range [4][2]int{{a.x, a.y}, {right, a.y}, {a.x, bottom}, {right, bottom}} {
		c.cells[p[1]*c.w+p[0]] = cell{corners[i], tone}
	}
	c.fill(rect{a.x, a.y, a.w, 1}, tone)
	c.fill(rect{a.x, bottom, a.w, 1}, tone)
	c.fill(rect{a.x, a.y, 1, a.h}, tone)
	c.fill(rect{right, a.y, 1, a.h}, tone)
}

// drawVerdict writes the verdict's word as large as it fits, and under it, if
// there is room, what to do with the unit.
func (v *view) drawVerdict(c *canvas, a rect, n *station.NestView, m mark) {
	word, text := m.word, v.lang.disposition(n.Verdict.Disposition)+", "+v.lang.box(n.Verdict)
	if n.Verdict.Purpose == station.Check {
		text = v.lang.box(n.Verdict)
	}
	if n.Verdict.Again {
		text += ", " + v.lang.words.shownAgain
	}
	if do := v.lang.instruction(n.Verdict, argsOf(n)); do != "" {
		text += ". " + do
	}
	under := wrap(text, a.w-2)
	font := term.Five()
	if f := term.Seven(); f.Width(word) <= a.w && f.Rows()+1+len(under) <= a.h {
		font = f
	}
	if signed := string(m.sign) + " " + word; font.Width(signed) <= a.w {
		word = signed
	}
	top := a
	if font.Rows()+len(under) < a.h {
		top.y += (a.h - font.Rows() - len(under) - 1) / 2
	}
	if !c.letters(top, font, m.tone, word) {
		c.text(a.x+(a.w-width(m.word))/2, a.y+a.h/2, m.tone, m.word)
		return
	}
	if rest := a.h - (top.y - a.y) - font.Rows(); rest > len(under) {
		c.paragraph(rect{a.x + 1, top.y + font.Rows() + 1, a.w - 2, rest - 1}, m.tone, text)
	}
}

// drawProgress says what a nest does or waits for.
func (v *view) drawProgress(c *canvas, a rect, n *station.NestView) {
	y := a.y
	line := func(tone term.Tone, s string) {
		if y < a.y+a.h && s != "" {
			c.text(a.x, y, tone, shorten(s, a.w, c.ascii))
		}
		y++
	}
	line(term.Strong, v.lang.phase(n.Step))
	counting := n.Total > 0 && captures(n.Step)
	if counting {
		full := int(int64(a.w) * percent(n) / 100)
		line(term.Plain, strings.Repeat(string(c.block()), full)+strings.Repeat(rest(c), a.w-full))
		line(term.Plain, fmt.Sprintf("%d %%%s", percent(n), v.lang.remaining(n.Remaining)))
	}
	if n.Waiting {
		line(term.Plain, v.lang.words.waits)
	}
	if n.Purpose == station.Check && v.snap.Purpose != station.Check {
		line(term.Strong, v.lang.words.checkUnit)
	}
	if n.Last != nil && n.Verdict == nil && n.Step != station.Stopped {
		r := &n.Last.Verdict
		line(term.Strong, squeeze(r.Args.Label, a.w, c.ascii))
		y += c.paragraph(rect{a.x, y, a.w, a.y + a.h - y}, term.Plain, v.lang.mark(r).word+" "+v.lang.boxNamed(r))
	}
	stop := v.stopOf(n)
	if t := v.lang.tries(n); t != "" && stop == nil {
		line(term.Plain, t)
	}
	room := rect{a.x, y, a.w, a.y + a.h - y}
	switch {
	case stop != nil:
		y += c.paragraph(room, term.Plain, v.lang.do(stop.Code, stop.Args))
	case n.Trouble != nil:
		if text := v.lang.do(n.Trouble.Code, n.Trouble.Args); len(wrap(text, a.w)) <= room.h {
			y += c.paragraph(room, term.Plain, text)
		}
	}
	// Where there is room, what is left to wait for is readable at a distance.
	if counting {
		big := fmt.Sprintf("%d%%", percent(n))
		if n.Remaining >= 0 {
			big = fill(v.lang.words.seconds, "n", fmt.Sprintf("%.0f", n.Remaining.Seconds()))
		}
		c.letters(rect{a.x, y + 1, a.w, a.y + a.h - y - 1}, term.Five(), term.Plain, big)
	}
}

// percent is how far the capture in hand has come.
func percent(n *station.NestView) int64 {
	return 100 * min(max(n.Done, 0), n.Total) / n.Total
}

// stopOf returns the stop of a nest, nil when it runs.
func (v *view) stopOf(n *station.NestView) *station.Stop {
	if n.Step != station.Stopped {
		return nil
	}
	for i := range v.snap.Stops {
		s := &v.snap.Stops[i]
		if s.Nest == station.NoNest || s.Nest < len(v.snap.Nests) && &v.snap.Nests[s.Nest] == n {
			return s
		}
	}
	return nil
}

// rest is the part of a bar that is still to come.
func rest(c *canvas) string {
	if c.ascii {
		return "."
	}
	return "░"
}

// remaining says how long the hands are still free.
func (l *Language) remaining(d time.Duration) string {
	if d < 0 {
		return ""
	}
	return "  " + fill(l.words.left, "n", fmt.Sprintf("%.0f", d.Seconds()))
}

// tries says which attempt and try it is, where it is not the first.
func (l *Language) tries(n *station.NestView) string {
	var parts []string
	if n.Attempt > 1 {
		parts = append(parts, fill(l.words.attempt, "n", n.Attempt))
	}
	if n.Try > 1 {
		parts = append(parts, fill(l.words.try, "n", n.Try))
	}
	return strings.Join(parts, ", ")
}
