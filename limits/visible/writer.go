package visible

import (
	"io"
	"sync"
	"unicode/utf8"
)

// Writer passes lines on to another writer and makes every character visible
// that Text would, other than line breaks and tabs. It is the last door: what
// stands inside a line should have been through Text, for Writer cannot tell
// whose a line break is. What steers a terminal with intent goes to Unwrap.
type Writer struct {
	mu   sync.Mutex
	to   io.Writer
	held []byte // the beginning of a character whose end has not come
}

// NewWriter returns a Writer to w.
func NewWriter(w io.Writer) *Writer { return &Writer{to: w} }

// Unwrap returns the writer beneath.
func (w *Writer) Unwrap() io.Writer { return w.to }

// Write writes all of p, but for the beginning of a character at its end.
func (w *Writer) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	all := p
	if len(w.held) > 0 {
		all = append(w.held, p...)
	}
	end := len(all) - unfinished(all)
	if err := w.pass(all[:end]); err != nil {
		return 0, err
	}
	w.held = append([]byte(nil), all[end:]...)
	return len(p), nil
}

// Flush writes what is held back of a character that never ended.
func (w *Writer) Flush() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	held := w.held
	w.held = nil
	return w.pass(held)
}

func (w *Writer) pass(p []byte) error {
	if len(p) == 0 {
		return nil
	}
	if !plain(p) {
		p = []byte(text(string(p), func(r rune) bool { return r == '\n' || r == '\t' || shown(r) }))
	}
	_, err := w.to.Write(p)
	return err
}

// plain tells whether p holds printable ASCII and line breaks alone, as nearly
// all does.
func plain(p []byte) bool {
	for _, c := range p {
		if (c < ' ' || c > '~') && c != '\n' {
			return false
		}
	}
	return true
}

// unfinished counts the bytes at the end of p that begin a character.
func unfinished(p []byte) int {
	for n := 1; n < utf8.UTFMax && n <= len(p); n++ {
		if c := p[len(p)-n]; utf8.RuneStart(c) {
			if c >= utf8.RuneSelf && !utf8.FullRune(p[len(p)-n:]) {
				return n
			}
			return 0
		}
	}
	return 0
}
