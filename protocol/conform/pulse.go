package conform

import (
	"slices"
	"sync"
	"time"
)

// pulse notices when this machine stands still: what was timed meanwhile says
// nothing about the unit.
type pulse struct {
	mu    sync.Mutex
	stood []standstill // latest, oldest first
	end   chan struct{}
	ended chan struct{}
}

type standstill struct{ from, to time.Time }

const (
	pulseEvery  = 10 * time.Millisecond
	least       = 25 * time.Millisecond // longer than a timer is ever late on an idle machine
	standstills = 256                   // remembered
)

func newPulse() *pulse {
	p := &pulse{end: make(chan struct{}), ended: make(chan struct{})}
	go p.beat()
	return p
}

func (p *pulse) beat() {
	defer close(p.ended)
	tick := time.NewTimer(pulseEvery)
	defer tick.Stop()
	for {
		from := time.Now()
		tick.Reset(pulseEvery)
		select {
		case <-tick.C:
			if now := time.Now(); now.Sub(from) >= pulseEvery+least {
				p.note(standstill{from.Add(pulseEvery), now})
			}
		case <-p.end:
			return
		}
	}
}

func (p *pulse) note(s standstill) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.stood) == standstills {
		p.stood = slices.Delete(p.stood, 0, 1)
	}
	p.stood = append(p.stood, s)
}

// within returns how long the machine stood still between two moments, and the
// longest standstill that touches them. One that has only just ended may not
// be known yet.
func (p *pulse) within(from, to time.Time) (all, longest time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, s := range p.stood {
		begin, end := s.from, s.to
		if begin.Before(from) {
			begin = from
		}
		if end.After(to) {
			end = to
		}
		if d := end.Sub(begin); d > 0 {
			all += d
			longest = max(longest, s.to.Sub(s.from))
		}
	}
	return all, longest
}

func (p *pulse) stop() {
	close(p.end)
	<-p.ended
}
