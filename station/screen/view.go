package screen

import (
	"slices"
	"strings"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/screen/term"
	"example.org/panecal/station/shift"
)

// The sizes from which the screen has all its parts, and from which the block
// letters have seven rows.
const (
	fullWidth, fullHeight   = 80, 24
	largeWidth, largeHeight = 120, 40
	leastWidth, leastHeight = 40, 12
	leastPanel              = 20 // columns of a nest, border included
)

// view is everything a picture is made of.
type view struct {
	snap  station.Snapshot
	ready bool // a snapshot has come
	ascii bool
	lang  *Language
	page  *shift.Page // takes the place of the nests, nil for none
	takt  float64     // units an hour that are wanted, 0 for none

	typed   string    // characters entered so far
	own     said      // what the screen itself has to say, no text when nothing
	instead interlude // what the letters say for a while
	asked   call      // what it asked, instead of the hands' sentence; no lines when nothing
	hints   []Hint    // labels to type
}

// draw makes the picture of w x h cells.
func (v *view) draw(w, h int) *canvas {
	c := newCanvas(w, h, v.ascii)
	switch {
	case w < leastWidth || h < leastHeight:
		v.drawRoom(c)
	case v.page != nil:
		v.drawPage(c)
	case w < fullWidth || h < fullHeight || len(v.snap.Nests)*leastPanel > w:
		v.drawPlain(c)
	default:
		v.drawFull(c)
	}
	return c
}

// drawRoom asks for a larger window.
func (v *view) drawRoom(c *canvas) {
	text := fill(v.lang.words.enlarge, "w", leastWidth, "h", leastHeight)
	for y, line := range wrap(text, max(c.w, 1)) {
		if y < c.h {
			c.text(0, y, term.Plain, shorten(line, c.w, c.ascii))
		}
	}
}

// drawFull has all parts: header, hands, nests, words, footer.
func (v *view) drawFull(c *canvas) {
	font, pad := term.Five(), 0
	if c.w >= largeWidth && c.h >= largeHeight {
		font, pad = term.Seven(), 1
	}
	hands := rect{0, 1, c.w, 2*font.Rows() + 1 + 2*pad}
	left := c.h - 2 - hands.h // header and footer take a row each
	// Of what is left the nests get their least, then the words theirs, then
	// both share.
	const leastNests, leastWords, mostNests = 7, 4, 13
	nests := rect{0, hands.y + hands.h, c.w, min(leastNests+max(left-leastNests-leastWords, 0)*2/3, mostNests)}
	words := rect{0, nests.y + nests.h, c.w, left - nests.h}

	v.drawHeader(c)
	v.drawHands(c, hands, font, pad)
	v.drawNests(c, nests)
	v.drawWords(c, words)
	v.drawFooter(c, c.h-1)
}

// drawHeader says where and for what the station works, and how it goes.
func (v *view) drawHeader(c *canvas) {
	right := fewer(v.lang.counted(v.snap.Counters, v.takt), c.w-2, false)
	if !v.ready {
		right = ""
	}
	x := c.w - width(right) - 1
	c.text(x, 0, term.Plain, right)
	at := 1
	for _, part := range v.setting() {
		if at+width(part) > x-2 {
			break
		}
		c.text(at, 0, term.Plain, part)
		at += width(part) + 2
	}
}

// setting names product, purpose, station and operator, what matters most
// first.
func (v *view) setting() []string {
	s := &v.snap
	var parts []string
	add := func(text string) {
		if text != "" {
			parts = append(parts, term.Clean(text))
		}
	}
	add(s.Product)
	add(v.lang.purpose(s.Purpose))
	if v.ready && !s.Signed {
		add(v.lang.words.unsigned)
	}
	add(s.Station)
	add(s.Operator)
	return parts
}

// handsNest returns the nest the hands are sent to, nil when there is none.
func (v *view) handsNest() *station.NestView {
	if i := v.snap.Hands.Nest; i >= 0 && i < len(v.snap.Nests) {
		return &v.snap.Nests[i]
	}
	return nil
}

// called returns what the hands are told, in block letters and in words.
func (v *view) called() (call, string) {
	hands := v.snap.Hands
	if !v.ready {
		hands = station.Hands{Nest: station.NoNest, Code: station.HandsStarting}
	}
	code, nest := hands.Code, hands.Args.Nest
	if n := v.handsNest(); n != nil {
		nest = n.Name
		if code == station.HandsHeld || code == station.HandsPassed {
			code = v.held(code, n)
		}
	}
	c := v.lang.call(code, nest, hands.Args.Bin)
	return c, v.lang.sentence(hands.Code, hands.Args)
}

// held keeps the hands and the nest from saying two different things: the
// verdict's own mark decides.
func (v *view) held(code station.Code, n *station.NestView) station.Code {
	if n.Verdict == nil {
		return code
	}
	switch v.lang.mark(n.Verdict).tone {
	case term.Hold:
		return station.HandsHeld
	case term.Failed:
		return station.HandsFailed
	}
	return code
}

// drawHands says in block letters what the hands do now. Where the letters do
// not fit (a long name of a nest, a letter that the font has not), the
// sentence stands there in words.
func (v *view) drawHands(c *canvas, a rect, font term.Font, pad int) {
	hands, words := v.called()
	if v.instead.call.lines[0] != "" {
		hands, words = v.instead.call, v.instead.words
	}
	if v.asked.lines[0] != "" {
		hands, words = v.asked, v.own.text
	}
	v.drawCall(c, a, font, pad, hands, words)
}

// drawCall draws a call, or its words where the letters do not fit.
func (v *view) drawCall(c *canvas, a rect, font term.Font, pad int, hands call, words string) {
	lines := hands.lines
	inner := rect{a.x + 2, a.y + pad, a.w - 4, font.Rows()}
	second := inner
	second.y += font.Rows() + 1
	fits := hands.lines[0] != "" && fitsIn(font, inner.w, lines[:]...)
	if !fits && font.Rows() > term.Five().Rows() && fitsIn(term.Five(), inner.w, lines[:]...) {
		font, fits = term.Five(), true
		inner.y++
	}
	if fits {
		c.letters(inner, font, hands.tone, lines[0])
		c.letters(second, font, hands.tone, lines[1])
	} else {
		block := rect{a.x + 4, a.y + a.h/2 - 1, a.w - 8, 3}
		c.paragraph(block, hands.tone, strings.ToUpper(words))
	}
	edge(c, a, hands.tone)
	c.fill(a, hands.tone)
}

func fitsIn(font term.Font, w int, lines ...string) bool {
	for _, line := range lines {
		if !font.Has(line) || font.Width(line) > w {
			return false
		}
	}
	return true
}

// edge draws both ends of the hands' field: a shape for each tone, so that no
// colour is needed.
func edge(c *canvas, a rect, tone term.Tone) {
	for i := range a.h {
		r := ' '
		switch tone {
		case term.Action:
			r = '>'
		case term.Passed:
			r = c.block()
		case term.Failed:
			r = hatch(c)
		case term.Hold:
			if i%2 == 0 {
				r = c.block()
			}
		}
		if r == ' ' {
			continue
		}
		c.put(a.x, a.y+i, tone, r)
		if r == '>' {
			r = '<'
		}
		c.put(a.x+a.w-1, a.y+i, tone, r)
	}
}

func hatch(c *canvas) rune {
	if c.ascii {
		return '/'
	}
	return '▒'
}

// drawWords says the rest in sentences: what the hands do and why, the newest
// messages, labels to type.
func (v *view) drawWords(c *canvas, a rect) {
	a.x, a.w = a.x+1, a.w-2
	bottom := a.y + a.h
	hints := v.hintLines(a.w, max(1, a.h/3))
	if len(hints) > 0 && a.h > 3 && v.own.text == "" {
		bottom -= len(hints)
		for i, line := range hints {
			c.text(a.x, bottom+i, term.Plain, line)
		}
	}
	if v.own.text != "" {
		a.y += v.sayOwn(c, rect{a.x, a.y, a.w, max(bottom-a.y-1, 1)})
	}
	words := v.explained()
	a.y += c.paragraph(rect{a.x, a.y, a.w, bottom - a.y}, term.Strong, words)
	if reasons := v.lang.reasons(v.snap.Counters, 3); reasons != "" && bottom-a.y > 3 {
		bottom--
		c.text(a.x, bottom, term.Plain, shorten(reasons, a.w, c.ascii))
	}
	for _, line := range v.news() {
		if a.y >= bottom {
			return
		}
		room := rect{a.x, a.y, a.w, bottom - a.y}
		text := v.lang.sentence(line.Code, line.Args)
		if len(wrap("! "+text, room.w)) > room.h {
			text = v.lang.say(line.Code, line.Args) // without the action rather than cut
		}
		tone := term.Plain
		if alarming(line.Code) {
			tone = term.Hold
		}
		if len(wrap("! "+text, room.w)) > room.h && room.h < a.h-1 {
			return
		}
		a.y += v.say(c, room, tone, text)
	}
}

// explained is the sentence for the hands, and why.
func (v *view) explained() string {
	_, words := v.called()
	n := v.handsNest()
	switch {
	case n != nil && n.Verdict != nil && n.Verdict.Released() && !n.Verdict.Again && v.snap.Hands.Code == station.HandsPassed:
		// The bin stands in block letters; the instruction says it in words.
		return v.lang.say(v.snap.Hands.Code, v.snap.Hands.Args) + " " + v.reason(n)
	case n != nil && n.Verdict != nil:
		return words + " " + v.reason(n)
	case n != nil && n.Trouble != nil:
		return words + " " + v.lang.sentence(n.Trouble.Code, n.Trouble.Args)
	}
	return words
}

// sayOwn draws what the screen itself has to say.
func (v *view) sayOwn(c *canvas, a rect) int {
	if v.own.done {
		return v.say(c, a, term.Plain, v.own.text)
	}
	return v.say(c, a, term.Hold, v.own.text)
}

// say draws a message; one that matters gets a sign besides its colour.
func (v *view) say(c *canvas, a rect, tone term.Tone, text string) int {
	if tone == term.Hold {
		text = "! " + text
	}
	used := c.paragraph(a, tone, text)
	if tone == term.Hold {
		c.fill(rect{a.x - 1, a.y, a.w + 2, used}, tone)
	}
	return used
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
func (v *view) hintLines(w, rows int) []string {
	if len(v.hints) == 0 || rows <= 0 {
		return nil
	}
	var lines []string
	indent := strings.Repeat(" ", width(v.lang.words.typeLabel))
	line := v.lang.words.typeLabel
	for i, h := range v.hints {
		item := " " + h.String()
		more := ""
		if rest := len(v.hints) - i - 1; rest > 0 {
			more = "  " + fill(v.lang.words.more, "n", rest)
		}
		if last := len(lines) == rows-1; width(line+item) > w || last && width(line+item+more) > w {
			if last || len(item) > w {
				line += "  " + fill(v.lang.words.more, "n", len(v.hints)-i)
				break
			}
			lines, line = append(lines, line), indent
		}
		line += item
	}
	return append(lines, line)
}

// drawFooter shows the label being entered, and the keys.
func (v *view) drawFooter(c *canvas, y int) {
	const leastEntry = 24
	keys := fewer(v.lang.words.keys, c.w-leastEntry, true)
	c.text(c.w-width(keys)-1, y, term.Plain, keys)
	room := c.w - width(keys) - 4
	switch {
	case v.typed != "":
		c.text(1, y, term.Strong, squeeze(v.lang.words.entry+v.typed+"_", room, c.ascii))
	case v.snap.Label != "":
		c.text(1, y, term.Plain, squeeze(v.lang.words.open+v.snap.Label, room, c.ascii))
	default:
		c.text(1, y, term.Plain, v.lang.words.entry+"_")
	}
}

// fewer leaves out parts of a line, which two spaces or more tell apart, until
// it takes at most w cells: the first ones, or the last.
func fewer(s string, w int, first bool) string {
	for width(s) > w {
		i := strings.LastIndex(s, "  ")
		if first {
			i = strings.Index(s, "  ")
		}
		switch {
		case i < 0:
			return ""
		case first:
			s = strings.TrimLeft(s[i:], " ")
		default:
			s = strings.TrimRight(s[:i], " ")
		}
	}
	return s
}
