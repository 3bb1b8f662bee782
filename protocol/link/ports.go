package link

import (
	"fmt"
	"sync"
	"time"
)

// Ports remember where the names of serial ports led when they were opened: a
// system gives the name of a port that has gone to whatever comes next. The zero
// value is ready and knows none. Any goroutine may use it.
type Ports struct {
	mu    sync.Mutex
	known map[string]origin
}

// origin is what the system says of a port besides its name. What it does not
// say is zero, and equal to everything.
type origin struct {
	socket string    // where an adapter is plugged in, "" where the name itself says it
	made   time.Time // of a pseudo-terminal
}

// settled is the age from which a pseudo-terminal has a process on it, if it is
// a person's.
const settled = 2 * time.Second

// ForeignError says that a port's name leads to something else than a line to a
// unit, or to another one than before.
type ForeignError struct {
	Address string
	What    string // it is
}

func (e *ForeignError) Error() string { return fmt.Sprintf("%s %s", e.Address, e.What) }

// check compares what a name leads to now with what it led to.
func (p *Ports) check(address string, now origin, at time.Time) error {
	if p == nil {
		return nil
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	was, ok := p.known[address]
	switch {
	case !ok:
	case was.socket != now.socket && was.socket != "" && now.socket != "":
		return &ForeignError{address, fmt.Sprintf("is the adapter at %s now; it was the one at %s: plug that one in where it was, "+
			"or name the port in the station sheet as /dev/serial/by-path does", now.socket, was.socket)}
	case !was.made.Equal(now.made) && at.Sub(now.made) < settled:
		return &ForeignError{address, "is a terminal that was made a moment ago: it is tried again when it is known whose it is"}
	}
	return nil
}

// opened remembers where a name led.
func (p *Ports) opened(address string, now origin) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.known == nil {
		p.known = map[string]origin{}
	}
	p.known[address] = now
}
