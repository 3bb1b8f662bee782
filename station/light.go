package station

import (
	"slices"
	"time"

	"example.org/panecal/protocol"
)

// lamp is the right to emit in one light group.
type lamp struct {
	holder *nest
	queue  []unlit
}

// unlit is a capture that waits for the light.
type unlit struct {
	nest    *nest
	capture Capture
	since   time.Time
}

// light emits the nest's capture now or when its light group is free.
func (m *Machine) light(n *nest, c Capture) {
	n.awaits = m.token()
	// Until constants are written, what the unit stores may be no whole block.
	if n.att.written == nil {
		c.Tolerated = protocol.FaultConstants
	}
	n.shotsTotal = c.Request.Shots * int64(c.Request.Frames)
	group := n.sheet.LightGroup
	if group == "" {
		m.emit(n.index, n.awaits, c)
		return
	}
	l := m.lamps[group]
	if l == nil {
		l = &lamp{}
		m.lamps[group] = l
	}
	if l.holder != nil {
		at := len(l.queue)
		for at > 0 && n.before(l.queue[at-1], m.now) {
			at--
		}
		l.queue = slices.Insert(l.queue, at, unlit{n, c, m.now})
		return
	}
	l.holder = n
	m.emit(n.index, n.awaits, c)
}

// lightPatience is how long a capture lets others go first.
const lightPatience = 5 * time.Second

// before reports whether the nest may go before another that waits already: a
// look is short, and hands wait for it; after that the unit that is nearest
// its verdict, for it frees its nest soonest.
func (n *nest) before(other unlit, now time.Time) bool {
	urgent := func(n *nest) Step {
		if n.step == Targeting || n.step == Clearing {
			return steps
		}
		return n.step
	}
	return urgent(n) > urgent(other.nest) && now.Sub(other.since) < lightPatience
}

// dim gives the nest's right to emit, or its place in the queue, to others.
func (m *Machine) dim(n *nest) {
	l := m.lamps[n.sheet.LightGroup]
	if l == nil {
		return
	}
	l.queue = slices.DeleteFunc(l.queue, func(q unlit) bool { return q.nest == n })
	if l.holder != n || n.lit != nil {
		return
	}
	l.holder = nil
	if len(l.queue) > 0 {
		next := l.queue[0]
		l.queue, l.holder = l.queue[1:], next.nest
		m.emit(next.nest.index, next.nest.awaits, next.capture)
	}
}

// keepLight keeps the light group of a nest whose emitter is in doubt from
// others, as far as none of them emits already.
func (m *Machine) keepLight(n *nest) {
	group := n.sheet.LightGroup
	if group == "" {
		return
	}
	if m.lamps[group] == nil {
		m.lamps[group] = &lamp{}
	}
	if l := m.lamps[group]; l.holder == nil {
		l.holder = n
	}
}

// waiting reports whether the nest waits for the light of another.
func (m *Machine) waiting(n *nest) bool {
	l := m.lamps[n.sheet.LightGroup]
	return l != nil && slices.ContainsFunc(l.queue, func(q unlit) bool { return q.nest == n })
}
