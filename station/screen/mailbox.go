package screen

import (
	"sync"

	"example.org/panecal/station"
	"example.org/panecal/station/shift"
)

// Mailbox holds the newest snapshot of a station until a screen takes it. Put
// never waits, whatever the screen and its terminal do. The zero value is not
// ready: see NewMailbox. All methods may be called from any goroutine.
type Mailbox struct {
	mu    sync.Mutex
	last  *station.Snapshot // nil when taken
	page  *shift.Page
	reply shift.Reply
	fresh bool          // page or reply were not taken yet
	ready chan struct{} // holds one token while last may be set
}

// NewMailbox returns an empty mailbox.
func NewMailbox() *Mailbox { return &Mailbox{ready: make(chan struct{}, 1)} }

// Put makes s the newest snapshot.
func (m *Mailbox) Put(s station.Snapshot) {
	m.mu.Lock()
	m.last = &s
	m.mu.Unlock()
	select {
	case m.ready <- struct{}{}:
	default:
	}
}

// Ready returns a channel that gives a token when there may be a new
// snapshot.
func (m *Mailbox) Ready() <-chan struct{} { return m.ready }

// Take returns the newest snapshot, and false if none came since the last
// call.
func (m *Mailbox) Take() (station.Snapshot, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.last == nil {
		return station.Snapshot{}, false
	}
	s := *m.last
	m.last = nil
	return s, true
}

// Show puts a page in the place of the nests, nil for none, and says a reply.
// Like Put it never waits.
func (m *Mailbox) Show(p *shift.Page, r shift.Reply) {
	m.mu.Lock()
	m.page, m.fresh = p, true
	if r.Code != "" {
		m.reply = r
	}
	m.mu.Unlock()
	select {
	case m.ready <- struct{}{}:
	default:
	}
}

// takeShown returns what Show gave last, and false if nothing came since the
// last call.
func (m *Mailbox) takeShown() (p *shift.Page, r shift.Reply, ok bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	p, r, ok = m.page, m.reply, m.fresh
	m.reply, m.fresh = shift.Reply{}, false
	return p, r, ok
}
