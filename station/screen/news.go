package screen

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/charmbracelet/lipgloss"

	"example.org/panecal/station"
	"example.org/panecal/station/screen/term"
)

// drawWords says the rest in sentences: what the hands do and why, the newest
// messages, the newest results, labels to type.
func (v *view) drawWords(s *sheet, w, h int, large bool) string {
	c := s.column(w, h, 1)
	hints := v.hintLines(s, w-2, max(1, h/3))
	if h <= 3 || v.own.text != "" {
		hints = nil
	}
	keep := len(hints)
	if v.own.text != "" {
		v.sayOwn(c, max(keep, 1))
	}
	c.say(term.Strong, v.explained(), keep)
	reasons := v.pace(large)
	if len(reasons) > 0 && c.room()-keep > 2+len(reasons) {
		keep += len(reasons)
	} else {
		reasons = nil
	}
	v.drawNews(c, keep)
	if large {
		v.drawRecent(c, keep)
	}
	c.down(keep)
	for _, line := range reasons {
		c.line(term.Plain, line)
	}
	for _, line := range hints {
		c.line(term.Plain, line)
	}
	return c.render()
}

// drawNews says the messages, those that matter now first, and leaves keep rows.
func (v *view) drawNews(c *column, keep int) {
	most := c.room() - keep
	for _, line := range v.news() {
		room := c.room() - keep
		if room <= 0 {
			return
		}
		tone := term.Plain
		if alarming(line.Code) {
			tone = term.Hold
		}
		text := v.lang.sentence(line.Code, line.Args)
		if c.rowsOf(tone, text) > room {
			text = v.lang.say(line.Code, line.Args) // without the action rather than cut
		}
		if c.rowsOf(tone, text) > room && room < most {
			return
		}
		c.say(tone, text, keep)
	}
}

// drawRecent lists the newest results in two columns, and leaves keep rows.
func (v *view) drawRecent(c *column, keep int) {
	room := c.room() - keep - 2 // an empty row and a head
	if len(v.snap.Recent) == 0 || room < 1 {
		return
	}
	room = min(room, (station.MaxRecent+1)/2)
	c.line(term.Plain, " ")
	c.line(term.Strong, v.lang.words.lastUnits)
	half := (c.w - 2) / 2
	for i := range min(room, len(v.snap.Recent)) {
		left := v.lang.recent(&v.snap.Recent[i])
		right := ""
		if i+room < len(v.snap.Recent) {
			right = v.lang.recent(&v.snap.Recent[i+room])
		}
		c.add(lipgloss.JoinHorizontal(lipgloss.Top, " ", c.row(half, 0, term.Plain, left), c.row(c.w-1-half, 0, term.Plain, right)))
	}
}

// recent is a result in one line.
func (l *Language) recent(v *station.Verdict) string {
	return fmt.Sprintf("%-16s %s  %s", squeeze(v.Args.Label, 16, false), l.mark(v).word, l.boxNamed(v))
}

// sayOwn says what the screen itself has to say, and leaves keep rows.
func (v *view) sayOwn(c *column, keep int) {
	if v.own.done {
		c.say(term.Plain, v.own.text, keep)
		return
	}
	c.say(term.Hold, v.own.text, keep)
}

func alarming(code station.Code) bool {
	switch code.Meaning().Class {
	case station.Guide, station.Notice:
		return false
	}
	return true
}

// freshFor is how long a message stands before the stops: it answers what the
// hands have just done.
const freshFor = 10 * time.Second

// news returns the newest messages, then stops, then what is to be known, then
// older messages, without what the called nest says of itself already.
func (v *view) news() []station.Message {
	var fresh, all, old []station.Message
	for _, s := range v.snap.Stops {
		all = append(all, station.Message{Nest: s.Nest, Code: s.Code, Args: s.Args})
	}
	all = append(all, v.snap.Standing...)
	own := v.handsNest()
	for i := len(v.snap.Messages) - 1; i >= 0; i-- {
		m := v.snap.Messages[i]
		switch {
		case own != nil && m.Nest == v.snap.Hands.Nest && own.Verdict != nil && own.Verdict.Code == m.Code,
			own != nil && own.Verdict == nil && own.Trouble != nil && own.Trouble.Code == m.Code && own.Trouble.Args == m.Args,
			stopped(v.snap.Stops, m), v.over(m):
		case v.snap.At.Sub(m.At) < freshFor && alarming(m.Code):
			fresh = append(fresh, m)
		default:
			old = append(old, m)
		}
	}
	return slices.Concat(fresh, all, old)
}

// saidFor is how long a message is worth reading.
const saidFor = 2 * time.Minute

// over reports whether a message speaks of what is past: what a nest met in a
// capture that is taken anew since, or what was answered long ago.
func (v *view) over(m station.Message) bool {
	if m.Code.Meaning().Class == station.CaptureBad && m.Nest >= 0 && m.Nest < len(v.snap.Nests) {
		t := v.snap.Nests[m.Nest].Trouble
		return t == nil || t.Code != m.Code
	}
	switch {
	case m.Code.Meaning().Class == station.NotRunning, // of a stop that was lifted: those in force are told by themselves
		m.Code == station.RefusedBox && !v.snap.Box.Wanted():
		return true
	}
	return v.snap.At.Sub(m.At) > saidFor
}

func stopped(stops []station.Stop, m station.Message) bool {
	for _, s := range stops {
		if s.Code == m.Code && s.Nest == m.Nest {
			return true
		}
	}
	return false
}

// hintLines returns the labels that wait to be typed, in at most rows lines.
func (v *view) hintLines(s *sheet, w, rows int) []string {
	if len(v.hints) == 0 || rows <= 0 {
		return nil
	}
	var lines []string
	head := s.clean(v.lang.words.typeLabel)
	indent := strings.Repeat(" ", width(head))
	line := head
	for i, h := range v.hints {
		item := " " + s.clean(h.String())
		more := ""
		if rest := len(v.hints) - i - 1; rest > 0 {
			more = "  " + s.clean(fill(v.lang.words.more, "n", rest))
		}
		if last := len(lines) == rows-1; width(line+item) > w || last && width(line+item+more) > w {
			if last || width(item) > w {
				line += "  " + s.clean(fill(v.lang.words.more, "n", len(v.hints)-i))
				break
			}
			lines, line = append(lines, line), indent
		}
		line += item
	}
	return append(lines, line)
}
