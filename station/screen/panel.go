package screen

import (
	"fmt"
	"strings"
	"time"

	"github.com/charmbracelet/lipgloss"

	"example.org/panecal/station"
	"example.org/panecal/station/screen/term"
)

// drawNests draws the nests side by side, in the order in which they stand on
// the bench.
func (v *view) drawNests(s *sheet, w, h int) string {
	n := len(v.snap.Nests)
	if n == 0 {
		return s.column(w, h, 0).render()
	}
	hands, _ := v.called()
	var boxes []string
	for i := range v.snap.Nests {
		called := v.snap.Hands.Nest == i && hands.tone != term.Plain
		boxes = append(boxes, v.drawNest(s, w*(i+1)/n-w*i/n, h, &v.snap.Nests[i], called))
	}
	return lipgloss.JoinHorizontal(lipgloss.Top, boxes...)
}

// drawNest draws one nest: name and bin in its upper edge, the label in its
// lower one, in between the verdict, or what it does. The nest the hands are
// called to has a pointer.
func (v *view) drawNest(s *sheet, w, h int, n *station.NestView, called bool) string {
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
	if called {
		title = pointer(s) + name + title
	} else {
		title = name + title
	}
	if width(s.clean(title)) > w-6 { // the bare name rather than a cut one
		title = strings.Replace(title, name, n.Name, 1)
	}
	foot := n.Label
	if foot == "" {
		foot = n.UnitID
	}
	shape, ground := border(s, tone), term.Plain
	var inside string
	switch {
	case n.Verdict != nil:
		ground, inside = tone, v.drawVerdict(s, w-2, h-2, n, m)
	case n.Step == station.Stopped:
		ground, inside = tone, v.drawProgress(s, w-2, h-2, n)
	default:
		inside = v.drawProgress(s, w-2, h-2, n)
	}
	rim := s.style(tone)
	inside = s.style(ground).Border(shape, false, true).BorderForeground(rim.GetForeground()).BorderBackground(rim.GetBackground()).Render(inside)
	return stack(rim.Render(edge(s, w, shape.TopLeft, shape.Top, shape.TopRight, title)), inside,
		rim.Render(edge(s, w, shape.BottomLeft, shape.Bottom, shape.BottomRight, foot)))
}

func pointer(s *sheet) string {
	if s.ascii {
		return ">"
	}
	return "►"
}

// edge is an upper or lower edge of w cells with a text in it, if there is one.
func edge(s *sheet, w int, left, line, right, text string) string {
	if text != "" {
		text = " " + squeeze(s.clean(text), w-6, s.ascii) + " "
	}
	first := string([]rune(line)[0])
	return left + first + s.r.PlaceHorizontal(w-3, lipgloss.Left, text, lipgloss.WithWhitespaceChars(line)) + right
}

// border is the edge of a nest. Its shape tells the state without colour: solid
// passed, hatched failed, dashed hold or stopped, double called, thin the rest.
func border(s *sheet, tone term.Tone) lipgloss.Border {
	all := func(r string) lipgloss.Border {
		return lipgloss.Border{Top: r, Bottom: r, Left: r, Right: r, TopLeft: r, TopRight: r, BottomLeft: r, BottomRight: r}
	}
	switch {
	case tone == term.Passed:
		return all(s.block())
	case tone == term.Failed:
		return all(hatch(s))
	case tone == term.Hold:
		b := all(s.block())
		b.Top, b.Left = b.Top+b.Top+" ", " "+b.Left
		b.Bottom, b.Right = b.Top, b.Left
		return b
	case tone == term.Action && s.ascii:
		b := all(`"`)
		b.Top, b.Bottom = "=", "="
		return b
	case tone == term.Action:
		return lipgloss.DoubleBorder()
	case s.ascii:
		return lipgloss.ASCIIBorder()
	}
	return lipgloss.NormalBorder()
}

// drawVerdict writes the verdict's word as large as it fits, and under it, as
// far as there is room, what to do with the unit.
func (v *view) drawVerdict(s *sheet, w, h int, n *station.NestView, m mark) string {
	text := v.lang.disposition(n.Verdict.Disposition) + ", " + v.lang.boxNamed(n.Verdict)
	if n.Verdict.Purpose == station.Check {
		text = v.lang.box(n.Verdict)
	}
	if n.Verdict.Again {
		text += ", " + v.lang.words.shownAgain
	}
	if do := v.lang.instruction(n.Verdict, argsOf(n)); do != "" {
		text += ". " + do
	}
	under := s.wrapped(text, w-2)
	if name := s.wrapped(v.lang.boxNamed(n.Verdict), w-2); len(under) > h-4 && len(name) == 1 {
		under = name // the sentence says the rest
	}
	if _, ok := s.written(w-2, 4, m.word); !ok && len(under) == 1 { // the sign stands for it
		if said := s.wrapped(v.lang.disposition(n.Verdict.Disposition)+", "+v.lang.box(n.Verdict), w-2); len(said) == 1 {
			under = said
		}
	}
	for _, rows := range []int{7, 6, 5, 4} {
		if rows > h || rows > 4 && rows+1+len(under) > h {
			continue
		}
		word, ok := s.written(w-2, rows, string(m.sign)+" "+m.word)
		if !ok {
			word, ok = s.written(w-2, rows, m.word)
		}
		if !ok { // the words below say it
			word, ok = s.written(w-2, rows, string(m.sign))
		}
		if !ok {
			continue
		}
		blocks := []string{word}
		switch room := h - lipgloss.Height(word) - len(under); {
		case room > 0 && h > 5:
			blocks = append(blocks, "", strings.Join(under, "\n"))
		case room >= 0:
			blocks = append(blocks, strings.Join(under, "\n"))
		}
		return s.r.Place(w, h, lipgloss.Center, lipgloss.Center, lipgloss.JoinVertical(lipgloss.Center, blocks...))
	}
	return s.r.Place(w, h, lipgloss.Center, lipgloss.Center, s.clean(m.word))
}

// drawProgress says what a nest does or waits for, or the result of the unit
// that has gone.
func (v *view) drawProgress(s *sheet, w, h int, n *station.NestView) string {
	c := s.column(w, h, 1)
	strong, plain := term.Strong, term.Plain
	if n.Step == station.Stopped { // the nest's own colours
		strong = term.Plain
	}
	c.line(strong, v.lang.phase(n.Step))
	counting := n.Total > 0 && captures(n.Step)
	if counting {
		bar := w - 2
		full := int(int64(bar) * percent(n) / 100)
		c.line(plain, strings.Repeat(s.block(), full)+strings.Repeat(rest(s), bar-full))
		c.line(plain, fmt.Sprintf("%d %%%s", percent(n), v.lang.remaining(n.Remaining)))
	}
	if n.Waiting {
		c.line(plain, v.lang.words.waits)
	}
	if n.Purpose == station.Check && v.snap.Purpose != station.Check {
		c.line(strong, v.lang.words.checkUnit)
	}
	if n.Last != nil && n.Step != station.Stopped {
		r := &n.Last.Verdict
		c.line(strong, squeeze(s.clean(r.Args.Label), w-2, s.ascii))
		c.paragraph(plain, v.lang.mark(r).word+" "+v.lang.boxNamed(r), 0)
	}
	stop := v.stopOf(n)
	if stop == nil {
		c.line(plain, v.lang.tries(n))
	}
	switch {
	case stop != nil:
		c.paragraph(plain, v.lang.do(stop.Code, stop.Args), 0)
	case n.Trouble != nil && n != v.handsNest(): // the sentence says it there
		if text := v.lang.do(n.Trouble.Code, n.Trouble.Args); c.rowsOf(plain, text) <= c.room() {
			c.paragraph(plain, text, 0)
		}
	}
	// Where there is room, what is left to wait for is readable at a distance.
	if counting {
		big := fmt.Sprintf("%d%%", percent(n))
		if n.Remaining >= 0 {
			big = fill(v.lang.words.seconds, "n", fmt.Sprintf("%.0f", n.Remaining.Seconds()))
		}
		if text, ok := s.written(w-2, min(c.room()-1, 5), big); ok {
			c.line(plain, " ")
			for _, line := range strings.Split(text, "\n") {
				c.add(s.r.PlaceHorizontal(w, lipgloss.Center, line))
			}
		}
	}
	return c.render()
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
func rest(s *sheet) string {
	if s.ascii {
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
