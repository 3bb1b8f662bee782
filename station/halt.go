package station

import (
	"time"
)

// halt switches the emitter off on a way out, then goes on.
func (m *Machine) halt(n *nest, after func()) { m.haltBy(n, Halt{}, after) }

func (m *Machine) haltBy(n *nest, how Halt, after func()) {
	m.rest(n)
	m.enter(n, Halting)
	n.after = after
	m.ask(n, how)
}

func (m *Machine) halted(n *nest, _ Fact) { m.proceed(n) }

// watchdog is how long after the last valid request a unit switches its
// emitter off by itself.
const watchdog = time.Second

// notHalted: the unit did not say that its emitter is off. The operator is
// told so, and until the unit's own watchdog must have acted nothing follows
// and no other nest of the light group emits. On the way out there is no time.
func (m *Machine) notHalted(n *nest, f Failure) {
	n.problem(m.now, BrokenEmitter, f.Why)
	m.announce(n.index, BrokenEmitter, Args{Nest: n.sheet.Name, Label: n.label})
	if m.closing {
		m.darkened(n)
		return
	}
	m.sleep(n, watchdog)
}

func (m *Machine) darkened(n *nest) {
	m.dim(n)
	m.proceed(n)
}

func (m *Machine) proceed(n *nest) {
	after := n.after
	n.after = nil
	after()
}
