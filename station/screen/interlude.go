package screen

import (
	"strings"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/screen/term"
)

// interlude is what the letters say for a while, instead of what the hands do
// next. The next entry ends it too.
type interlude struct {
	call   call
	words  string
	until  time.Time // as the station tells the time
	result bool      // of a unit that has gone
}

// How long a refused scan stands in the letters; how long a result does that
// nobody can have read, because its unit left sooner than eyes take.
const (
	refusedFor = 2 * time.Second
	resultFor  = 10 * time.Second
	readable   = 2 * time.Second
)

// interrupt finds what has happened between two snapshots that the hands must
// not miss.
func (m *model) interrupt(before, now *station.Snapshot) {
	if !m.instead.until.IsZero() && !now.At.Before(m.instead.until) {
		m.instead = interlude{}
	}
	for i := range now.Nests {
		n := &now.Nests[i]
		if n.Last == nil || n.Last.Shown >= readable || i < len(before.Nests) && before.Nests[i].Last != nil &&
			before.Nests[i].Last.Verdict.Sequence == n.Last.Verdict.Sequence {
			continue
		}
		m.instead = interlude{m.lang.gone(n), m.lang.goneWords(n), n.Last.Gone.Add(resultFor), true}
	}
	for _, msg := range newMessages(before.Messages, now.Messages) {
		if c, ok := m.lang.refusal(msg); ok {
			m.instead = interlude{c, m.lang.sentence(msg.Code, msg.Args), msg.At.Add(refusedFor), false}
		}
	}
}

// retort says in letters for a while that what was entered was not taken.
func (m *model) retort(lines [2]string, words string) {
	if lines[0] != "" {
		lines[0], lines[1] = capitals(lines[0]), capitals(lines[1])
		m.instead = interlude{call{lines, term.Hold}, words, m.snap.At.Add(refusedFor), false}
	}
}

// refusal is a refused scan in block letters, and false where the letters say
// it otherwise.
func (l *Language) refusal(m station.Message) (call, bool) {
	if m.Code.Meaning().Class != station.Refused || l.calls[m.Code][0] == "" {
		return call{}, false
	}
	c := l.call(m.Code, m.Args.Nest, m.Args.Bin, m.Args.Label)
	c.tone = term.Hold
	return c, true
}

// gone is the result of a unit that left before anybody could read it.
func (l *Language) gone(n *station.NestView) call {
	v := &n.Last.Verdict
	m := l.mark(v)
	words := string(m.sign) + " " + m.word
	if v.Purpose != station.Check {
		words += "  " + l.box(v)
	}
	return call{[2]string{capitals(words), capitals(fill(l.words.from, "nest", l.aloud(n.Name)))}, m.tone}
}

// goneWords is gone in words.
func (l *Language) goneWords(n *station.NestView) string {
	v := &n.Last.Verdict
	return strings.TrimSpace(v.Args.Label + ": " + l.mark(v).word + ", " + l.boxNamed(v) + ". " + l.instruction(v, v.Args))
}

// boxNamed says where a unit goes, with what stands on the box.
func (l *Language) boxNamed(v *station.Verdict) string {
	text := l.box(v)
	if name := v.Box.In(l.name); name != "" && v.Purpose != station.Check {
		text += ", " + name
	}
	return text
}
