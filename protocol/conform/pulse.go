package conform

import (
	"sync/atomic"
	"time"
)

// pulse notices when this machine stands still: what was timed meanwhile says
// nothing about the unit.
type pulse struct {
	worst atomic.Int64 // longest standstill since the last look, ns
	end   chan struct{}
	ended chan struct{}
}

const (
	pulseEvery = 10 * time.Millisecond
	standstill = 25 * time.Millisecond // longer than a timer is ever late on an idle machine
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
			late := time.Since(from) - pulseEvery
			p.worst.Store(max(p.worst.Load(), int64(late)))
		case <-p.end:
			return
		}
	}
}

// stood returns the longest standstill since the last call, 0 for none worth
// a word.
func (p *pulse) stood() time.Duration {
	d := time.Duration(p.worst.Swap(0))
	if d < standstill {
		return 0
	}
	return d
}

func (p *pulse) stop() {
	close(p.end)
	<-p.ended
}
