package conform

import (
	"fmt"
	"slices"
	"time"
)

const (
	firstByte = 100 * time.Millisecond // SPEC.md 4.5.1
	// patient is how long an answer is waited for: a late one is another
	// departure than none.
	patient = 12 * firstByte
	// lateInARow answers make a unit slow: every one of some thousands would be.
	lateInARow = 20
)

// late is an answer that began, or went on, later than it may.
type late struct {
	from, to time.Time // it may not take so long
	most     time.Duration
	what     string
	trace    []string
}

// timed looks at when an answer came.
func (r *run) timed(a asked, h heard) {
	if r.leaving {
		return
	}
	since := a.sent
	if r.heardAt.After(since) {
		since = r.heardAt
	}
	r.tried("4.5.1")
	r.heardOf++
	took, most := h.first.Sub(since), firstByte+r.opt.Latency
	if took > most {
		r.inARow++
		r.tooLate(late{since, h.first, most, fmt.Sprintf("the answer to request %d began after %d ms", h.ID, took.Milliseconds()), nil})
	} else {
		r.inARow = 0
	}
	if most = 10*time.Millisecond + r.opt.Grace; r.widest > most {
		r.tooLate(late{h.last.Add(-r.widest), h.last, most, fmt.Sprintf("a gap of %d ms within the answer to request %d", r.widest.Milliseconds(), h.ID), nil})
	}
	r.widest = 0
	r.heardAt = h.last
	if r.inARow >= lateInARow {
		r.pause(4 * pulseEvery) // a standstill is known afterwards
		r.lateness()
		r.slow = r.result("4.5.1").Outcome == Failed
		r.inARow = 0
	}
}

func (r *run) tooLate(l late) {
	if len(r.late) < 1000 { // more than any limit below needs
		l.trace = slices.Clone(r.trace)
		r.pressed = r.pressed || r.opt.Busy()
		r.late = append(r.late, l)
	}
}

// lateness fails 4.5.1 if three answers of a check, and more than one in a
// hundred, were late by themselves: what this machine stood still meanwhile is
// taken off, and fewer than that are as likely this machine's doing.
func (r *run) lateness() {
	var own []late
	for _, l := range r.late {
		if stood, _ := r.pulse.within(l.from, l.to); l.to.Sub(l.from)-stood > l.most {
			own = append(own, l)
		}
	}
	all := r.heardOf
	r.late, r.heardOf = nil, 0
	if n := len(own); n > 2 && n*100 > all {
		r.failWith("4.5.1", own[n-1].trace, "%s, and %d others before it were late", own[n-1].what, n-1)
	}
}
