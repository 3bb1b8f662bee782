package term

import (
	"io"
	"os"
	"strings"
	"unicode/utf8"
)

const escape = 0x1B

// What follows the escape in the two brackets that terminals, and some
// scanners, put around pasted text. The terminal library swallows every later
// key when the second bracket is missing.
var pasteTails = [2]string{"[200~", "[201~"}

// Input is a terminal opened for reading, made safe for scanners. It stays
// the terminal's own file for everything but Read, so that raw mode, size and
// cancelling work on it.
//
// Read returns UTF-8. Every control byte (0x00 to 0x1F, 0x7F) and every byte
// that is no UTF-8 arrives as its Mark, so that nothing in a scan is taken
// for a command, dropped or mended; real runes of the range that marks use
// arrive as the marks of their three bytes. Paste brackets are removed, also
// when split over reads. Not for Windows consoles, whose keys do not pass
// through Read.
type Input struct {
	*os.File
	filter Filter
}

// NewInput returns an Input on the terminal f, which stays the caller's to
// close.
func NewInput(f *os.File) *Input {
	return &Input{File: f, filter: Filter{r: f}}
}

// Read implements io.Reader; see Input.
func (in *Input) Read(p []byte) (int, error) { return in.filter.Read(p) }

// Filter does the work of Input on any reader.
type Filter struct {
	r       io.Reader
	held    []byte // raw bytes that wait for their continuation
	escaped bool   // the mark of an escape ended the last read
	out     []byte // finished bytes that the last p had no room for
	err     error  // told after out is empty
}

// NewFilter returns a Filter on r.
func NewFilter(r io.Reader) *Filter { return &Filter{r: r} }

// Read reads once from the underlying reader and never more: the caller may
// have waited for just that much. It may return 0, nil when all it got is the
// beginning of a rune or of a paste bracket. A lone escape is passed on at
// once, because it is also a key; if it began a bracket, Retract follows.
//
// It asks for so few bytes that their marks stay below len(p): a full buffer
// would make the terminal library wait for the next key.
func (f *Filter) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	if len(f.out) == 0 && f.err == nil {
		const perByte = 3 // bytes of a mark
		room := (len(p)-1)/perByte - len(f.held)
		raw := make([]byte, len(f.held), len(f.held)+max(room, 1))
		copy(raw, f.held)
		n, err := f.r.Read(raw[len(raw):cap(raw)])
		raw = raw[:len(raw)+n]
		f.err = err
		f.convert(raw, err != nil)
	}
	n := copy(p, f.out)
	f.out = f.out[n:]
	if n == 0 {
		return 0, f.err
	}
	return n, nil
}

// convert turns raw into out and held. With last set nothing is held back.
func (f *Filter) convert(raw []byte, last bool) {
	f.out, f.held = f.out[:0], f.held[:0]
	if f.escaped && len(raw) > 0 {
		switch tail, begun := pasteTail(raw); {
		case tail:
			f.out = utf8.AppendRune(f.out, Retract)
			raw = raw[len(pasteTails[0]):]
		case begun && !last:
			f.held = append(f.held, raw...)
			return
		}
		f.escaped = false
	}
	for len(raw) > 0 {
		if raw[0] == escape && len(raw) == 1 {
			f.escaped = true
		} else if raw[0] == escape {
			tail, begun := pasteTail(raw[1:])
			if tail {
				raw = raw[1+len(pasteTails[0]):]
				continue
			}
			if begun && !last {
				f.held = append(f.held, raw...)
				return
			}
		}
		if !last && !utf8.FullRune(raw) {
			f.held = append(f.held, raw...)
			return
		}
		r, w := utf8.DecodeRune(raw)
		if r < ' ' || r == 0x7F || r >= firstMark && r <= Retract || r == utf8.RuneError && w == 1 {
			for _, c := range raw[:w] {
				f.out = utf8.AppendRune(f.out, Mark(c))
			}
		} else {
			f.out = append(f.out, raw[:w]...)
		}
		raw = raw[w:]
	}
}

// pasteTail tells whether raw begins with what follows the escape of a paste
// bracket, or may yet become that.
func pasteTail(raw []byte) (whole, begun bool) {
	for _, tail := range pasteTails {
		if strings.HasPrefix(string(raw), tail) {
			return true, false
		}
		begun = begun || strings.HasPrefix(tail, string(raw))
	}
	return false, begun
}
