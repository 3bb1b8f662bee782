package station

import (
	"time"

	"example.org/panecal/protocol"
)

// lit is a unit that did not confirm that its emitter is off.
type lit struct {
	unitID string
	since  time.Time
}

// halt switches the emitter off on a way out, then goes on.
func (m *Machine) halt(n *nest, after func()) { m.haltBy(n, Halt{}, after) }

func (m *Machine) haltBy(n *nest, how Halt, after func()) {
	m.rest(n)
	m.enter(n, Halting)
	n.after = after
	m.ask(n, how)
}

func (m *Machine) halted(n *nest, _ Fact) {
	m.dark(n)
	m.proceed(n)
}

// watchdog is how long after the last valid request a unit switches its
// emitter off by itself, if it still can.
const watchdog = time.Second

// notHalted: the unit did not say that its emitter is off. The operator is
// told so until it does, or until somebody says that the nest has no power: a
// unit that hangs may emit, and its watchdog with it. No other nest of its
// light group emits until then. On the way out there is no time.
func (m *Machine) notHalted(n *nest, f Failure) {
	if n.lit == nil {
		n.problem(m.now, BrokenEmitter, f.Why)
		m.announce(n.index, BrokenEmitter, m.emitterArgs(n))
		n.lit = &lit{n.unit.UnitID, m.now}
		m.keepLight(n)
	}
	if m.closing {
		m.proceed(n)
		return
	}
	m.sleep(n, watchdog)
}

// emitterArgs name the nest and the switch that takes its power.
func (m *Machine) emitterArgs(n *nest) Args {
	a := Args{Nest: n.sheet.Name, Label: n.label, Detail: Because{Reason: ReasonSwitch}}
	if s := n.sheet.PowerSwitch; s != "" {
		a.Detail = Verbatim(s)
	}
	return a
}

// mayEmit asks a unit that answers again to switch its emitter off, and goes
// back after that; false where nothing is in doubt. Another unit in its place
// means that it has no power from here any more.
func (m *Machine) mayEmit(n *nest, id protocol.Identity, back func()) bool {
	if n.lit == nil {
		return false
	}
	if n.lit.unitID != "" && id.UnitID != n.lit.unitID {
		m.dark(n)
		return false
	}
	m.halt(n, func() {
		if m.closing {
			m.end(n)
			return
		}
		back()
	})
	return true
}

// unpowered takes a person's word that the nest has no power.
func (m *Machine) unpowered(n *nest) {
	if n.lit == nil {
		m.operator(n, nil)
		return
	}
	m.dark(n)
}

// dark ends the doubt about the nest's emitter, and gives its light to others.
func (m *Machine) dark(n *nest) {
	if n.lit == nil {
		return
	}
	n.lit = nil
	m.announce(n.index, NoticeDark, Args{Nest: n.sheet.Name})
	m.dim(n)
}

func (m *Machine) proceed(n *nest) {
	after := n.after
	n.after = nil
	after()
}
