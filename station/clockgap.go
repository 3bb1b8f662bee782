package station

import (
	"fmt"
	"time"
)

// How the machine knows that time did not flow: a Tick comes every second, so
// a longer silence means that the computer slept, or that the program was
// held, while the units went on by themselves.
const (
	pauseLimit = 3 * time.Second // between two events: a Tick that is two seconds late
	clockLimit = 2 * time.Second // that the clock on the wall may be moved
)

// flow compares the time of an event with that of the one before. A computer
// that slept shows in the wall clock alone, a program that was held in both.
// A clock that was put forward cannot be told from sleep, and is taken for it:
// what was measured may be old.
func (m *Machine) flow(at time.Time) {
	was := m.told
	m.told = at
	if was.IsZero() || !m.started {
		return
	}
	steady, wall := at.Sub(was), at.Round(0).Sub(was.Round(0))
	switch gap := max(steady, wall); {
	case gap > pauseLimit:
		m.paused(gap)
	case wall < -clockLimit:
		m.putBack(wall)
	}
}

// paused ends every attempt in hand: between what was measured before and
// what would be measured now, the unit has drifted. What is being made
// durable goes on.
func (m *Machine) paused(gap time.Duration) {
	why := fmt.Sprintf("nothing ran for %v", gap.Round(time.Second))
	for _, n := range m.nests {
		switch {
		case !table[n.step].attempt && n.step != WriteIntending:
		case n.step == WriteIntending:
			n.att.paused = why
		default:
			if n.step == Writing || n.step == Voiding {
				n.problem(m.now, BrokenContents, "nothing ran while the unit's constants were changed")
			}
			m.breakPaused(n, why)
		}
	}
}

// breakPaused switches the emitter off first. The port is opened anew: after
// sleep an adapter may be another file.
func (m *Machine) breakPaused(n *nest, why string) {
	m.rest(n)
	n.problem(m.now, BrokenPaused, why)
	n.att.code, n.att.detail = BrokenPaused, Verbatim(why)
	m.haltBy(n, Halt{Reopen: true}, func() { m.finish(n) })
}

// putBack notes that the times on record are not in the order of events;
// sequence numbers are, and durations do not depend on the wall clock.
func (m *Machine) putBack(wall time.Duration) {
	by := (-wall).Round(time.Second)
	m.announce(NoNest, NoticeClock, Args{Detail: by})
	for _, n := range m.nests {
		if n.att.intent != nil && table[n.step].attempt {
			n.problem(m.now, NoticeClock, "by "+by.String())
		}
	}
}
