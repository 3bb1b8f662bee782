package simunit

import (
	"context"
	"io"
	"sync"
)

// Speaker answers on a line: a [Unit], another implementation's, or a [Socket]
// with whatever unit is in it.
type Speaker interface {
	Serve(ctx context.Context, line io.ReadWriter) error
}

// Socket is a nest's connector: the line stays, units come and go. Without a
// unit it takes what is sent and says nothing.
type Socket struct {
	mu      sync.Mutex
	unit    Speaker
	changed chan struct{} // closed at the next change
}

// NewSocket makes an empty socket.
func NewSocket() (*Socket, error) {
	// A unit that lies beside the nest is what an empty nest sounds like.
	empty, err := New(Hopper1(), 0, Options{Out: true})
	if err != nil {
		return nil, err
	}
	return &Socket{unit: empty, changed: make(chan struct{})}, nil
}

// Plug puts a unit on the socket's line instead of the one before. Seating
// and taking out are the unit's own. It may be any implementation's, if its
// Serve ends with its context and leaves the line to the caller.
func (s *Socket) Plug(u Speaker) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.unit == u {
		return
	}
	s.unit = u
	close(s.changed)
	s.changed = make(chan struct{})
}

// Serve speaks for whatever unit is in the socket until ctx ends or the line
// is gone. The line must have deadlines, as files and pipes have: a change of
// units ends a waiting read.
func (s *Socket) Serve(ctx context.Context, line io.ReadWriter) error {
	for {
		s.mu.Lock()
		u, changed := s.unit, s.changed
		s.mu.Unlock()
		inner, cancel := context.WithCancel(ctx)
		go func() {
			select {
			case <-changed:
				cancel()
			case <-inner.Done():
			}
		}()
		err := u.Serve(inner, line)
		swapped := inner.Err() != nil && ctx.Err() == nil
		cancel()
		if !swapped {
			return err
		}
	}
}
