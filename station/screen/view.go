package screen

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/charmbracelet/lipgloss"

	"example.org/panecal/limits/visible"
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
	snap    station.Snapshot
	ready   bool // a snapshot has come
	ascii   bool
	letters term.Letters
	lang    *Language
	page    *shift.Page // takes the place of the nests, nil for none
	takt    float64     // units an hour that are wanted, 0 for none

	typed   string    // characters entered so far
	own     said      // what the screen itself has to say, no text when nothing
	instead interlude // what the letters say for a while
	asked   call      // what it asked, instead of the hands' sentence; no lines when nothing
	hints   []Hint    // labels to type
}

// picture is what was drawn: the text for the terminal, and how much of what
// there was to say had no room.
type picture struct {
	text string
	cut  int
}

// draw makes the picture of w x h cells, styled by r.
func (v *view) draw(r *lipgloss.Renderer, w, h int) picture {
	s := &sheet{r: r, ascii: v.ascii, letters: v.letters}
	if v.ascii {
		s.letters = term.FullCells
	}
	var text string
	switch {
	case w <= 0 || h <= 0:
		return picture{}
	case w < leastWidth || h < leastHeight:
		text = v.drawRoom(s, w, h)
	case v.page != nil:
		text = v.drawPage(s, w, h)
	case w < fullWidth || h < fullHeight || len(v.snap.Nests)*leastPanel > w:
		text = v.drawPlain(s, w, h)
	default:
		text = v.drawFull(s, w, h)
	}
	lines := strings.Split(text, "\n")
	for i, line := range lines {
		lines[i] = strings.TrimRight(line, " ")
	}
	return picture{strings.Join(lines, "\n"), s.cut}
}

// drawRoom asks for a larger window.
func (v *view) drawRoom(s *sheet, w, h int) string {
	c := s.column(w, h, 0)
	lines := s.wrapped(fill(v.lang.words.enlarge, "w", leastWidth, "h", leastHeight), w)
	for _, line := range lines[:min(len(lines), h)] {
		c.line(term.Plain, line)
	}
	return c.render()
}

// drawFull has all parts: header, hands, nests, words, footer.
func (v *view) drawFull(s *sheet, w, h int) string {
	hands := callHeight(w, h)
	if h > fullHeight && !large(w, h) { // a row above the letters
		hands++
	}
	left := h - 2 - hands // header and footer take a row each
	// Of what is left the nests get their least, then the words theirs, then
	// both share.
	const leastNests, leastWords, mostNests = 7, 4, 11
	nests := min(leastNests+max(left-leastNests-leastWords, 0)*2/3, mostNests)
	return lipgloss.JoinVertical(lipgloss.Left, v.header(s, w), v.drawHands(s, w, hands), v.drawNests(s, w, nests),
		v.drawWords(s, w, left-nests, large(w, h)), v.footer(s, w))
}

// large tells whether there is room for the largest letters.
func large(w, h int) bool { return w >= largeWidth && h >= largeHeight }

// callHeight is how many rows the hands' field has.
func callHeight(w, h int) int {
	if large(w, h) {
		return 17
	}
	return 11
}

// header says where and for what the station works, and how it goes.
func (v *view) header(s *sheet, w int) string {
	// Product, purpose and unsigned files are never left out.
	must := 0
	for _, part := range v.setting()[:min(v.mustSay(), len(v.setting()))] {
		must += width(s.clean(part)) + 2
	}
	right := fewer(s.clean(v.lang.headline(&v.snap, v.takt)), w-3-must, false)
	if !v.ready {
		right = ""
	}
	left := ""
	for _, part := range v.setting() {
		part = s.clean(part)
		if 1+width(left)+width(part) > w-width(right)-3 {
			break
		}
		left += part + "  "
	}
	left = strings.TrimRight(left, " ")
	return s.row(w, 0, term.Plain, " "+left+strings.Repeat(" ", w-2-width(left)-width(right))+right)
}

// mustSay is how many parts of the setting have to be seen.
func (v *view) mustSay() int {
	n := 1
	if v.lang.purpose(v.snap.Purpose) != "" {
		n++
	}
	if v.ready && !v.snap.Signed {
		n++
	}
	return n
}

// setting names product, purpose, station and operator, what matters most
// first.
func (v *view) setting() []string {
	s := &v.snap
	var parts []string
	add := func(text string) {
		if text != "" {
			parts = append(parts, visible.Text(text))
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
	c := v.lang.call(code, nest, hands.Args.Bin, hands.Args.Label)
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
func (v *view) drawHands(s *sheet, w, h int) string {
	hands, words := v.called()
	if v.instead.call.lines[0] != "" {
		hands, words = v.instead.call, v.instead.words
	}
	if v.asked.lines[0] != "" {
		hands, words = v.asked, v.own.text
	}
	return drawCall(s, w, h, hands, words)
}

// drawCall draws a call in w x h cells: what the hands do larger than the rest.
// Its words stand there where the letters do not fit.
func drawCall(s *sheet, w, h int, c call, words string) string {
	const edges, margin = 2, 2
	inner := w - edges - margin
	first, second := h-5, 4 // and a row between them
	switch {
	case h > 15: // with a row above and below
		first, second = h-8, 5
	case h > 11: // with a row above
		first = h - 6
	}
	if s.letters == term.FullCells {
		first, second = (h-1)/2, (h-1)/2
	}
	if c.lines[1] == "" {
		first, second = h-2, 0
	}
	var content string
	one, ok := s.written(inner, first, c.lines[0])
	two, also := s.written(inner, second, c.lines[1])
	switch {
	case c.lines[0] != "" && ok && c.lines[1] == "":
		content = one
	case c.lines[0] != "" && ok && also:
		content = lipgloss.JoinVertical(lipgloss.Center, one, "", two)
	default:
		content = strings.Join(s.wrapped(strings.ToUpper(words), inner-margin), "\n")
	}
	at := lipgloss.Center
	if h > 11 && h <= 15 && lipgloss.Height(content) == h-1 {
		at = lipgloss.Bottom // the free row stands above the letters
	}
	return s.style(c.tone).Border(sides(s, c.tone), false, true).Render(s.r.Place(w-edges, h, lipgloss.Center, at, content))
}

// sides are both ends of the hands' field: a shape for each tone, so that no
// colour is needed.
func sides(s *sheet, tone term.Tone) lipgloss.Border {
	switch tone {
	case term.Action:
		return lipgloss.Border{Left: ">", Right: "<"}
	case term.Passed:
		return lipgloss.Border{Left: s.block(), Right: s.block()}
	case term.Failed:
		return lipgloss.Border{Left: hatch(s), Right: hatch(s)}
	case term.Hold:
		return lipgloss.Border{Left: s.block() + " ", Right: s.block() + " "}
	}
	return lipgloss.Border{Left: " ", Right: " "}
}

func hatch(s *sheet) string {
	if s.ascii {
		return "/"
	}
	return "▒"
}

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

// explained is the sentence for the hands, and why.
func (v *view) explained() string {
	_, words := v.called()
	n := v.handsNest()
	switch {
	case v.instead.result:
		return v.instead.words
	case v.snap.Hands.Code == station.HandsEmitter: // nothing else counts
	case v.snap.Hands.Code == station.HandsClear && n != nil && n.Trouble != nil:
		return words + " " + v.lang.say(n.Trouble.Code, n.Trouble.Args) // what to do, and why
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

// footer shows the label being entered, and the keys.
func (v *view) footer(s *sheet, w int) string {
	tone, text := term.Plain, v.lang.words.entry+"_"
	switch {
	case v.typed != "":
		tone, text = term.Strong, v.lang.words.entry+v.typed+"_"
	case v.snap.Label != "":
		text = v.lang.words.open + v.snap.Label
	}
	keys := v.lang.words.keys
	if !v.goesOn() {
		_, keys, _ = strings.Cut(keys, "  ") // without Enter
	}
	return v.entry(s, w, tone, text, strings.TrimSpace(keys))
}

// goesOn tells whether something goes on by a key where the hands are.
func (v *view) goesOn() bool {
	switch v.snap.Hands.Code {
	case station.HandsConfirm, station.HandsClear, station.HandsTarget, station.HandsTargetIn:
		return true
	}
	n := v.handsNest()
	return n != nil && n.Verdict != nil && n.Verdict.Code == station.FailedNoAnswer // its leaving cannot be seen
}

// entry is a row with what is being entered, and the keys as far as there is
// room for them.
func (v *view) entry(s *sheet, w int, tone term.Tone, text, keys string) string {
	const leastEntry = 24
	keys = fewer(s.clean(keys), w-leastEntry, true)
	room := w - width(keys) - 3
	text = squeeze(s.clean(text), room, s.ascii)
	return lipgloss.JoinHorizontal(lipgloss.Top, " ", s.row(room, 0, tone, text), " ", keys, " ")
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
