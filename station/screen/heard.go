package screen

import (
	"bytes"
	"fmt"
	"io"
	"time"
	"unicode/utf8"

	"example.org/panecal/station/screen/term"
)

// Heard is what a scanner sent in one go, byte by byte as it came, and what
// the screen makes of it.
type Heard struct {
	Bytes   []byte
	Gaps    []time.Duration // before each byte since the one before; the first is 0
	Entries []Entry         // what the operator's screen would take it for
	Remarks []Remark
}

// Remark is one thing to know about a scan: a fault, with which it is refused,
// or advice.
type Remark struct {
	Fault bool   `json:"fault"`
	At    int    `json:"at"` // the byte it speaks of, from 1; 0 for the whole
	Text  string `json:"text"`
	Mend  string `json:"mend"` // what to set at the scanner, "" for nothing
}

// Took is the time from the first byte to the last.
func (h Heard) Took() time.Duration {
	var d time.Duration
	for _, g := range h.Gaps {
		d += g
	}
	return d
}

// Prefix, Text and Suffix are the three parts of the bytes: control characters
// before the text, the text, and control characters after it.
func (h Heard) Prefix() []byte { return h.Bytes[:h.head()] }

// Text is what stands between prefix and suffix; see Prefix.
func (h Heard) Text() []byte { return h.Bytes[h.head():h.tail()] }

// Suffix is what ends the text; see Prefix.
func (h Heard) Suffix() []byte { return h.Bytes[h.tail():] }

// head is where the text begins, tail where it ends. Separators that belong
// to a message of ISO/IEC 15434 are text.
func (h Heard) head() int {
	n := 0
	for n < len(h.Bytes) && control(h.Bytes[n]) && !separator(h.Bytes[n]) {
		n++
	}
	return n
}

func (h Heard) tail() int {
	n, head := len(h.Bytes), h.head()
	for n > head && control(h.Bytes[n-1]) && !separator(h.Bytes[n-1]) {
		n--
	}
	return n
}

func control(b byte) bool   { return b < ' ' || b == del }
func separator(b byte) bool { return b == eot || b >= fs && b <= us }

// Ear hears a scanner out. The zero value is ready; times must not run
// backwards.
type Ear struct {
	bytes []byte
	times []time.Time
}

// Hear takes bytes that came at one time, and returns the scans that they
// complete: a scan ends with the silence after it, or with its suffix where
// more follows at once.
func (e *Ear) Hear(raw []byte, at time.Time) []Heard {
	out := e.Settle(at)
	for _, b := range raw {
		if n := len(e.bytes); n > 0 && ends(e.bytes[n-1]) && !ends(b) && b != etx {
			out = append(out, e.end())
		}
		e.bytes, e.times = append(e.bytes, b), append(e.times, at)
	}
	return out
}

// Settle tells the time without a byte; see Collector.Settle.
func (e *Ear) Settle(at time.Time) []Heard {
	if n := len(e.times); n == 0 || at.Sub(e.times[n-1]) < Silence {
		return nil
	}
	return []Heard{e.end()}
}

func ends(b byte) bool { return b == cr || b == lf || b == tab }

func (e *Ear) end() Heard {
	h := Heard{Bytes: e.bytes}
	for i, at := range e.times {
		gap := time.Duration(0)
		if i > 0 {
			gap = at.Sub(e.times[i-1])
		}
		h.Gaps = append(h.Gaps, gap)
	}
	h.Entries = e.take()
	h.Remarks = h.remarks()
	*e = Ear{}
	return h
}

// take lets a collector of its own hear the same.
func (e *Ear) take() []Entry {
	var c Collector
	var out []Entry
	var src bytes.Reader
	f := term.NewFilter(&src)
	buf := make([]byte, 64)
	for i, b := range e.bytes {
		src.Reset([]byte{b})
		n, err := f.Read(buf)
		if err != nil && err != io.EOF {
			break
		}
		for _, r := range string(buf[:n]) {
			out = append(out, c.Add(r, e.times[i])...)
		}
	}
	src.Reset(nil) // what is still held back comes with the end
	n, _ := f.Read(buf)
	last := e.times[len(e.times)-1]
	for _, r := range string(buf[:n]) {
		out = append(out, c.Add(r, last)...)
	}
	return append(out, c.Settle(last.Add(Silence))...)
}

// remarks says what is odd about the bytes, whatever they mean.
func (h Heard) remarks() []Remark {
	var out []Remark
	add := func(fault bool, at int, text, mend string) { out = append(out, Remark{fault, at, text, mend}) }
	head, tail := h.head(), h.tail()
	if head == tail && len(h.Entries) == 1 && h.Entries[0].Key != NoKey {
		return nil // a key, pressed by a person
	}
	if i := bytes.Index(h.Bytes, []byte("\x1b[200~")); i >= 0 {
		add(false, i+1, "the terminal marks it as pasted; the marks are left out", "")
	} else if i := bytes.IndexByte(h.Bytes, esc); i >= 0 && len(h.Entries) > 0 {
		add(true, i+1, "an escape: the computer takes what follows for a cursor or function key", "set the scanner's prefix to none")
	}
	for i := head; i < tail; {
		r, w := utf8.DecodeRune(h.Bytes[i:])
		switch b := h.Bytes[i]; {
		case r == utf8.RuneError && w == 1:
			add(true, i+1, fmt.Sprintf("byte %02X is no UTF-8", b), "set the scanner's and the terminal's character set to UTF-8")
		case control(b) && !separator(b) && b != esc:
			add(true, i+1, fmt.Sprintf("the control character %02X stands inside the text", b),
				"look whether the label holds it; a scanner can be set to leave it out")
		case r >= utf8.RuneSelf:
			add(false, i+1, fmt.Sprintf("%c is outside ASCII", r), "prefer labels of ASCII: keyboards of other layouts have no such key")
		}
		i += w
	}
	if t := h.Bytes[head:tail]; len(t) > 2 && t[0] == ']' && t[1] >= 'A' && t[1] <= 'z' {
		add(false, head+1, fmt.Sprintf("it begins with the symbology identifier %s of ISO/IEC 15424", t[:3]), "")
	}
	switch suffix := h.Bytes[tail:]; {
	case len(suffix) == 0:
		add(false, 0, fmt.Sprintf("no suffix: the end is known only by %d ms of silence", Silence.Milliseconds()), "set the scanner's suffix to CR")
	case bytes.IndexByte(suffix, tab) >= 0:
		add(false, tail+1, "the suffix is TAB: other programs jump to another field with it", "set the scanner's suffix to CR")
	}
	for i, g := range h.Gaps {
		if g > burstGap && len(h.Bytes[tail:]) == 0 {
			add(true, i+1, fmt.Sprintf("%d ms passed before it: too slow to be told from typing by hand without a suffix", g.Milliseconds()),
				"set the scanner's delay between characters to 0, or its suffix to CR")
			break
		}
	}
	for _, e := range h.Entries {
		known := false
		for _, r := range out {
			known = known || r.Fault
		}
		if e.Fault.Kind != NoFault && !known {
			add(true, 0, e.Fault.String(), "")
		}
	}
	return out
}
