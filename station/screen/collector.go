package screen

import (
	"strings"
	"time"

	"example.org/panecal/station/screen/term"
)

// Timing of keys. A keyboard scanner types a whole label with a few
// milliseconds between two characters; a hand needs 100 ms and more.
const (
	// Silence ends a scan that has no suffix, and proves that a key stands
	// alone.
	Silence = 80 * time.Millisecond

	burstGap  = 35 * time.Millisecond // the longest gap inside a scan
	burstLen  = 6                     // characters from which a burst is a scan
	typedFor  = 30 * time.Second      // typed text older than this is forgotten
	maxLength = 512                   // characters of a label
)

// Key is a key that a person pressed by itself.
type Key uint8

// The keys. A character of a scan is never one of them.
const (
	NoKey    Key = iota
	KeyGo        // Enter, Space or a foot pedal that sends one of them
	KeyStop      // Ctrl-C
	KeyLeave     // Ctrl-Q
	KeySkip      // Ctrl-X
)

// Entry is what a person or a scanner entered: a key, or text. Text holds the
// characters as they came, group separators included. Fault says why it is no
// label, if it is not one.
type Entry struct {
	Key   Key
	Text  string
	Fault Fault
	Typed bool // slower than any scanner
}

// Collector puts labels together from single characters and tells them from
// keys. Characters are those of a term.Input: control characters come as
// marks. Times must not run backwards. The zero value is ready.
//
// A text ends with CR, LF, TAB, with ETX if it began with STX or came in one
// burst, and, if the whole of it came in one burst of at least six
// characters, with 80 ms of silence. Text typed by hand waits for Enter. A
// key counts only if 80 ms of silence stand before and after it, so that
// nothing in a scan is ever a command.
type Collector struct {
	line  []typed
	over  bool // the line was longer than maxLength
	stx   bool // the line began with STX
	last  time.Time
	ended time.Time // when the last line ended: more suffix may follow
	alone Key       // waits for silence to prove it
}

type typed struct {
	r  rune
	at time.Time
}

// Add takes one character that came at the time given.
func (c *Collector) Add(r rune, at time.Time) []Entry {
	var out []Entry
	if !c.last.IsZero() {
		if at.Sub(c.last) >= Silence {
			out = c.settle()
		}
		if len(c.line) > 0 && at.Sub(c.last) > typedFor {
			out = append(out, c.drop(Unfinished))
		}
	}
	gap := at.Sub(c.last)
	c.last = at
	inBurst := gap <= burstGap && len(c.line) > 0
	c.alone = NoKey // whatever it was, it did not stand alone

	b, control := term.Marked(r)
	switch {
	case r == term.Retract:
		if n := len(c.line); n > 0 && c.line[n-1].r == term.Mark(esc) {
			c.line = c.line[:n-1]
		}
	case control && (b == cr || b == lf || b == tab):
		switch {
		case len(c.line) > 0 || c.over:
			out = append(out, c.finish()...)
			c.ended = at
		case at.Sub(c.ended) < Silence:
			c.ended = at // more of the suffix
		case gap >= Silence && b != tab:
			c.alone = KeyGo
		}
		c.stx = false
	case control && b == stx && len(c.line) == 0:
		c.stx = true
	case control && b == etx && (c.stx || inBurst):
		if len(c.line) > 0 {
			out = append(out, c.finish()...)
		}
		c.ended, c.stx = at, false
	case control && !inBurst && keyOf(b) != NoKey:
		if gap >= Silence && at.Sub(c.ended) >= Silence {
			c.alone = keyOf(b)
		}
	case control && !inBurst && (b == del || b == bs):
		if n := len(c.line); n > 0 {
			c.line = c.line[:n-1]
		}
	case r == ' ' && len(c.line) == 0 && !c.stx:
		if gap >= Silence {
			c.alone = KeyGo
		}
	case len(c.line) >= maxLength:
		c.over = true
	default:
		c.line = append(c.line, typed{r, at})
	}
	return out
}

// Settle tells the collector the time without a character. The caller owes it
// a call at least 80 ms after every Add.
func (c *Collector) Settle(at time.Time) []Entry {
	if c.last.IsZero() || at.Sub(c.last) < Silence {
		return nil
	}
	return c.settle()
}

// Typed returns what has been collected so far.
func (c *Collector) Typed() string { return text(c.line) }

// settle does what 80 ms of silence mean.
func (c *Collector) settle() []Entry {
	if c.alone != NoKey {
		k := c.alone
		c.alone = NoKey
		return []Entry{{Key: k}}
	}
	c.stx = false
	from := c.segment()
	if isKeySequence(c.line[from:]) {
		if len(c.line)-from == 1 { // the escape key: start anew
			from = 0
		}
		c.line = c.line[:from]
		return nil
	}
	if c.over || from == 0 && isBurst(c.line) {
		return c.finish()
	}
	return nil
}

// finish ends the line. A burst that follows text typed before it is a scan
// of its own.
func (c *Collector) finish() []Entry {
	var out []Entry
	if from := c.segment(); from > 0 && isBurst(c.line[from:]) {
		rest := c.line[from:]
		c.line = c.line[:from]
		over := c.over
		c.over = false
		out = append(out, c.drop(UnfinishedScan))
		c.line, c.over = rest, over
	}
	e := Entry{Text: text(c.line), Fault: fault(c.line), Typed: !c.stx && byHand(c.line)}
	if c.over {
		e.Fault = Fault{TooLong, maxLength}
	}
	c.line, c.over = nil, false
	return append(out, e)
}

// drop ends the line as no label.
func (c *Collector) drop(why FaultKind) Entry {
	e := Entry{Text: text(c.line), Fault: Fault{Kind: why}}
	c.line, c.over = nil, false
	return e
}

// segment returns where the part of the line after its last pause begins.
func (c *Collector) segment() int {
	for i := len(c.line) - 1; i > 0; i-- {
		if c.line[i].at.Sub(c.line[i-1].at) >= Silence {
			return i
		}
	}
	return 0
}

func isBurst(line []typed) bool {
	for i := 1; i < len(line); i++ {
		if line[i].at.Sub(line[i-1].at) > burstGap {
			return false
		}
	}
	return len(line) >= burstLen
}

// byHand tells whether each character came slower than any scanner sends.
func byHand(line []typed) bool {
	for i := 1; i < len(line); i++ {
		if line[i].at.Sub(line[i-1].at) <= burstGap {
			return false
		}
	}
	return true
}

const (
	stx = 0x02
	etx = 0x03
	eot = 0x04
	bs  = 0x08
	tab = 0x09
	lf  = 0x0A
	cr  = 0x0D
	dc1 = 0x11
	can = 0x18
	esc = 0x1B
	fs  = 0x1C
	us  = 0x1F
	del = 0x7F
)

func keyOf(b byte) Key {
	switch b {
	case etx:
		return KeyStop
	case dc1:
		return KeyLeave
	case can:
		return KeySkip
	}
	return NoKey
}

// isKeySequence tells whether line is what a terminal sends for one key that
// has no character: an escape, alone or with what makes it a cursor or
// function key.
func isKeySequence(line []typed) bool {
	if len(line) == 0 || line[0].r != term.Mark(esc) {
		return false
	}
	s := text(line[1:])
	switch {
	case s == "":
		return true
	case s[0] == 'O':
		return len(s) == 2
	case s[0] == '[' && len(s) > 1:
		end := strings.IndexFunc(s[1:], func(r rune) bool { return r >= '@' && r <= '~' || r < ' ' || r > '~' })
		return end == len(s)-2
	}
	return len(s) == 1 // Alt and a character
}

// text returns the characters of line as they came from the terminal.
func text(line []typed) string {
	var b strings.Builder
	for _, k := range line {
		if c, ok := term.Marked(k.r); ok {
			b.WriteByte(c)
		} else {
			b.WriteRune(k.r)
		}
	}
	return b.String()
}

// fault says what in line no label holds: bytes that are no text, and
// control characters other than the separators of ISO/IEC 15434.
func fault(line []typed) Fault {
	for _, k := range line {
		b, marked := term.Marked(k.r)
		switch {
		case !marked || b == eot || b >= fs && b <= us:
			continue
		case b == esc:
			return Fault{HoldsEscape, int(b)}
		case b >= 0x80:
			return Fault{NoUTF8, int(b)}
		default:
			return Fault{HoldsControl, int(b)}
		}
	}
	return Fault{}
}
