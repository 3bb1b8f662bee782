package simunit

import (
	"context"
	"io"
	"sync"
)

// Speaker answers on a line: a [Unit], another implementation's, or a [Connector]
// with whatever unit is in it.
type Speaker interface {
	Serve(ctx context.Context, line io.ReadWriter) error
}

// Connector is that of a nest: the line stays, units come and go. Without a
// unit it takes what is sent and says nothing.
type Connector struct {
	mu      sync.Mutex
	empty   Speaker
	unit    Speaker
	changed chan struct{} // closed at the next change
}

// NewConnector makes a connector without a unit.
func NewConnector() (*Connector, error) {
	// A unit that lies beside the nest is what an empty nest sounds like.
	empty, err := New(Hopper1(), 0, Options{Out: true})
	if err != nil {
		return nil, err
	}
	return &Connector{empty: empty, unit: empty, changed: make(chan struct{})}, nil
}

// Attach puts a unit on the connector's line instead of the one before. Seating
// and taking out are the unit's own. It may be any implementation's, if its
// Serve ends with its context and leaves the line to the caller.
func (c *Connector) Attach(u Speaker) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.unit == u {
		return
	}
	c.unit = u
	close(c.changed)
	c.changed = make(chan struct{})
}

// Detach leaves the nest without a unit: one that was carried to another nest
// does not hear this line any more.
func (c *Connector) Detach() { c.Attach(c.empty) }

// Serve speaks for whatever unit is in the connector until ctx ends or the line
// is gone. The line must have deadlines, as files and pipes have: a change of
// units ends a waiting read.
func (c *Connector) Serve(ctx context.Context, line io.ReadWriter) error {
	for {
		c.mu.Lock()
		u, changed := c.unit, c.changed
		c.mu.Unlock()
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
