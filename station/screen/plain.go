package screen

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"example.org/panecal/limits/visible"
	"example.org/panecal/station"
	"example.org/panecal/station/screen/term"
	"example.org/panecal/station/shift"
)

// RunPlain shows the station line by line: what changed, in sentences, without
// boxes, colours or control of the cursor. It is for screen readers, slow
// links, files and tests. It returns nil once the station has closed, or the
// error of ctx.
//
// Every line of Options.In is a label; an empty one says "go on". The end of
// In ends nothing. A reader that never returns keeps its goroutine.
func RunPlain(ctx context.Context, o Options) error {
	o.defaults()
	ctx, end := context.WithCancelCause(ctx)
	defer end(nil)
	g := guard{o.Panicked, end}
	p := &plain{out: o.Out, in: o.In, ascii: o.ASCII, lang: o.Language, takt: o.Takt, bell: o.Bell}
	p.last.Hands.Nest = station.NoNest
	defer p.hide(false)
	for _, h := range o.Hints {
		p.line(p.lang.words.hint + h.String())
	}
	entered := make(chan shift.Input)
	if o.In != nil {
		g.start(func() { readLines(ctx, o, entered) })
	}
	if o.Scanner != nil {
		g.start(func() {
			listen(ctx, g, o.Scanner, o.Now, func(e Entry) {
				in := shift.Input{Kind: shift.Label, Text: e.Text, Nest: station.NoNest}
				if e.Fault.Kind != NoFault {
					in.Kind, in.Fault = shift.Unreadable, e.Fault
				}
				hand(ctx, o, in, entered)
			})
		})
	}
	outbox := make(chan shift.Input, waiting)
	g.start(func() { deliver(ctx, outbox, o.Send) })
	for p.err == nil {
		select {
		case <-ctx.Done():
			return ended(ctx)
		case in := <-entered:
			if in.Kind == shift.Unreadable {
				p.line(p.lang.unreadable(in, o.ASCII))
			}
			if in.Kind == shift.Go {
				in.Nest = p.last.Hands.Nest
			}
			select {
			case outbox <- in:
			default:
				p.line(p.lang.words.busy)
			}
		case <-o.Snapshots.Ready():
			if page, reply, ok := o.Snapshots.takeShown(); ok {
				p.turn(page, p.lang.replied(reply))
			}
			s, ok := o.Snapshots.Take()
			if !ok {
				continue
			}
			p.show(s)
			if s.Closed {
				return p.err
			}
		}
	}
	return p.err
}

// readLines turns the lines of o.In into inputs. Time tells nothing here: what
// ends a label is the end of its line.
func readLines(ctx context.Context, o Options, entered chan<- shift.Input) {
	f := term.NewFilter(o.In)
	buf := make([]byte, 4096)
	var l line
	for {
		n, err := f.Read(buf)
		for _, r := range string(buf[:n]) {
			if in, ok := l.add(r); ok && !hand(ctx, o, in, entered) {
				return
			}
		}
		if err != nil {
			if len(l.runes) > 0 {
				hand(ctx, o, l.end(), entered)
			}
			return
		}
	}
}

// hand passes one input on, and returns false when nobody wants it any more.
func hand(ctx context.Context, o Options, in shift.Input, entered chan<- shift.Input) bool {
	in.At = o.Now()
	select {
	case entered <- in:
		return true
	case <-ctx.Done():
		return false
	}
}

// line is a line of input that is being read.
type line struct {
	runes []typed
	over  bool
	cr    bool // the last character was a CR: an LF belongs to it
}

// add takes one character and returns the input it completes.
func (l *line) add(r rune) (shift.Input, bool) {
	afterCR := l.cr
	l.cr = r == term.Mark(cr)
	switch {
	case r == term.Mark(lf) && afterCR:
	case l.cr, r == term.Mark(lf):
		if len(l.runes) > 0 {
			return l.end(), true
		}
		return shift.Input{Kind: shift.Go, Nest: station.NoNest}, true
	case r == term.Mark(stx) && len(l.runes) == 0, r == term.Mark(etx), r == term.Retract:
	case len(l.runes) >= maxLength:
		l.over = true
	default:
		l.runes = append(l.runes, typed{r: r})
	}
	return shift.Input{}, false
}

// end returns the label that the line is.
func (l *line) end() shift.Input {
	in := shift.Input{Kind: shift.Label, Text: text(l.runes), Nest: station.NoNest, Typed: true}
	why := fault(l.runes)
	if l.over {
		why = Fault{TooLong, maxLength}
	}
	if why.Kind != NoFault {
		in.Kind, in.Fault = shift.Unreadable, why
	}
	*l = line{cr: l.cr}
	return in
}

// plain writes what changed between two snapshots.
type plain struct {
	out   io.Writer
	in    io.Reader
	blind bool // the terminal does not show what is typed
	ascii bool
	lang  *Language
	takt  float64
	bell  bool
	page  *shift.Page
	last  station.Snapshot
	begun bool
	err   error
}

// show writes what s has that the snapshot before had not.
func (p *plain) show(s station.Snapshot) {
	v := view{snap: s, ready: true, lang: p.lang, takt: p.takt}
	if !p.begun {
		p.line(strings.Join(v.setting(), "  "))
	}
	for i := range v.snap.Nests {
		n := &v.snap.Nests[i]
		var before station.NestView
		if p.begun && i < len(p.last.Nests) {
			before = p.last.Nests[i]
		}
		p.nest(&v, n, &before)
	}
	for _, stop := range s.Stops {
		if !hasStop(p.last.Stops, stop) {
			p.line(p.lang.words.stop + p.lang.sentence(stop.Code, stop.Args))
		}
	}
	for _, m := range s.Standing {
		if !slices.Contains(p.last.Standing, m) {
			p.line(p.lang.sentence(m.Code, m.Args))
		}
	}
	for _, m := range newMessages(p.last.Messages, s.Messages) {
		p.line(p.lang.sentence(m.Code, m.Args))
	}
	if (!p.begun || p.last.Hands != s.Hands) && p.page == nil {
		p.line("> " + p.lang.sentence(s.Hands.Code, s.Hands.Args))
	}
	if s.Closed || p.begun && s.Counters.Units != p.last.Counters.Units {
		p.line(p.lang.headline(&s, p.takt))
	}
	p.last, p.begun = s, true
}

// turn writes a page, and what there is to say.
func (p *plain) turn(page *shift.Page, text string) {
	p.hide(page != nil && page.Kind == shift.PINPage)
	p.line(text)
	if page == nil {
		if p.page != nil && p.begun {
			p.line("> " + p.lang.sentence(p.last.Hands.Code, p.last.Hands.Args))
		}
		p.page = nil
		return
	}
	if p.page == nil || p.page.Kind != page.Kind || text == "" {
		for _, line := range append(p.lang.table(page.Rows, math.MaxInt), p.lang.lines(page)...) {
			p.line(line)
		}
	}
	p.page = page
	p.line("> " + p.lang.pages[page.Kind].say)
}

// hide keeps the terminal from showing what is typed, while that is a PIN.
func (p *plain) hide(secret bool) {
	if p.blind == secret {
		return
	}
	p.blind = secret
	if err := echo(p.in, !secret); err != nil && p.err == nil {
		p.err = fmt.Errorf("hiding what is typed: %w", err)
	}
}

// nest writes a nest's new step or verdict.
func (p *plain) nest(s *view, n, before *station.NestView) {
	switch {
	case n.Verdict != nil && (before.Verdict == nil || before.Verdict.Sequence != n.Verdict.Sequence || before.Label != n.Label):
		v := n.Verdict
		l := p.lang
		if p.bell && p.err == nil {
			_, p.err = io.WriteString(p.out, bell)
		}
		p.line(strings.TrimRight(fmt.Sprintf("%s: %s  %s  %s  %s. %s", l.aloud(n.Name), l.mark(v).word, strings.TrimRight(l.box(v)+" "+l.disposed(v), " "),
			n.Label, fill(l.words.record, "n", v.Sequence), s.reason(n)), " "))
	case n.Verdict == nil && (before.Name == "" || p.lang.phase(before.Step) != p.lang.phase(n.Step)):
		text := p.lang.aloud(n.Name) + ": " + p.lang.phase(n.Step)
		if n.Label != "" {
			text += "  " + n.Label
		}
		p.line(text)
	}
}

// newMessages returns the messages of now that before had not. Both are the
// tails of one list.
func newMessages(before, now []station.Message) []station.Message {
	if len(before) == 0 {
		return now
	}
	last := before[len(before)-1]
	for i := len(now) - 1; i >= 0; i-- {
		if now[i] == last {
			return now[i+1:]
		}
	}
	return now
}

func hasStop(stops []station.Stop, s station.Stop) bool {
	for _, other := range stops {
		if other == s {
			return true
		}
	}
	return false
}

// line writes one line; the first error ends the run.
func (p *plain) line(s string) {
	if p.err != nil || s == "" {
		return
	}
	s = visible.Text(s)
	if p.ascii {
		s = strings.Map(term.Plainest, term.Spell(s))
	}
	if _, err := io.WriteString(p.out, s+"\n"); err != nil {
		p.err = fmt.Errorf("writing a line: %w", err)
	}
}
