package runner_test

import (
	"io"
	"net"
	"sync"
	"time"
)

// wire is a line on which bytes go wrong at places drawn beforehand.
type wire struct {
	net.Conn
	mu    sync.Mutex
	in    stream
	out   stream
	ahead []byte // read before what comes
	hits  int
}

// stream is one direction: how far it is, and what waits on it.
type stream struct {
	at   int
	hurt []hurt
}

// hurt is what happens to the byte at a place, counted from the opening.
type hurt struct {
	at   int
	how  string // flip, lose, double, noise, cut, echo
	size int
}

var hurts = []string{"flip", "flip", "lose", "double", "noise", "cut", "echo"}

// pass returns what becomes of the bytes, and whether the line breaks.
func (s *stream) pass(p []byte, hits *int) (out, echo []byte, cut bool) {
	for _, b := range p {
		give := []byte{b}
		for i := 0; i < len(s.hurt); i++ {
			h := &s.hurt[i]
			if s.at < h.at || s.at >= h.at+max(1, h.size) {
				continue
			}
			*hits++
			switch h.how {
			case "flip":
				if s.at == h.at {
					give[0] ^= 1 << (h.size % 8)
				}
			case "lose":
				give = nil
			case "double":
				give = append(give, b)
			case "noise":
				give = append([]byte{byte(s.at * 37), 0, byte(s.at)}, give...)
			case "echo":
				echo = append(echo, b)
			case "cut":
				cut = true
			}
		}
		s.at++
		out = append(out, give...)
	}
	return out, echo, cut
}

func (w *wire) Write(p []byte) (int, error) {
	w.mu.Lock()
	out, echo, cut := w.out.pass(p, &w.hits)
	w.ahead = append(w.ahead, echo...)
	w.mu.Unlock()
	if cut {
		w.Conn.Close()
		return 0, io.ErrClosedPipe
	}
	if len(out) > 0 {
		if _, err := w.Conn.Write(out); err != nil {
			return 0, err
		}
	}
	return len(p), nil
}

func (w *wire) Read(p []byte) (int, error) {
	for {
		w.mu.Lock()
		if n := copy(p, w.ahead); n > 0 {
			w.ahead = w.ahead[n:]
			w.mu.Unlock()
			return n, nil
		}
		w.mu.Unlock()
		raw := make([]byte, max(1, len(p)/4))
		n, err := w.Conn.Read(raw)
		if n == 0 {
			return 0, err
		}
		w.mu.Lock()
		out, _, cut := w.in.pass(raw[:n], &w.hits)
		w.ahead = append(w.ahead, out...)
		w.mu.Unlock()
		if cut {
			w.Conn.Close()
		}
	}
}

// write deadlines: a pipe's writer waits for a reader for ever otherwise.
func (w *wire) SetReadDeadline(t time.Time) error { return w.Conn.SetReadDeadline(t) }
