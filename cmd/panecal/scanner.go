package main

import (
	"context"
	"io"
	"time"

	"example.org/panecal/protocol/link"
)

// scanner is a scanner with a port of its own. Its port may be pulled and come
// back: reading waits for it. It belongs to one reading goroutine.
type scanner struct {
	ctx     context.Context
	port    string
	baud    int
	changed func(lost bool) // the port was lost, or is back
	link    *link.Link
	lost    bool
}

// reopen is the pause between two tries to open the port.
const reopen = 2 * time.Second

func newScanner(ctx context.Context, port string, baud int, changed func(lost bool)) *scanner {
	if baud == 0 {
		baud = 9600
	}
	return &scanner{ctx: ctx, port: port, baud: baud, changed: changed}
}

// Read implements io.Reader. It ends, with io.EOF, only with the context.
func (s *scanner) Read(p []byte) (int, error) {
	for s.ctx.Err() == nil {
		if s.link == nil && !s.open() {
			continue
		}
		n, err := s.link.Read(p)
		if err == nil || n > 0 {
			return n, nil
		}
		s.link.Close()
		s.link = nil
	}
	return 0, io.EOF
}

// open opens the port, or waits a while after it could not.
func (s *scanner) open() bool {
	l, err := link.Open(s.ctx, s.port, link.Options{Baud: s.baud})
	if err == nil {
		s.link = l
		context.AfterFunc(s.ctx, func() { l.Close() }) // ends a read that waits
		if s.lost {
			s.lost = false
			s.changed(false)
		}
		return true
	}
	if !s.lost && s.ctx.Err() == nil {
		s.lost = true
		s.changed(true)
	}
	select {
	case <-s.ctx.Done():
	case <-time.After(reopen):
	}
	return false
}
