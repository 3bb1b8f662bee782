package station

import (
	"example.org/panecal/store/record"
)

// change makes the queued records durable, then goes on.
func (m *Machine) change(n *nest, after func()) {
	m.enter(n, Changing)
	n.after = after
	m.ask(n, Append{Body: n.queue[0]})
}

func (m *Machine) changed(n *nest, _ Fact) {
	if c, ok := n.queue[0].(*record.DispositionChange); ok {
		m.noteHold(m.cfg.Purpose, c.Serial, c.To)
	}
	n.queue = n.queue[1:]
	if len(n.queue) > 0 {
		m.ask(n, Append{Body: n.queue[0]})
		return
	}
	m.proceed(n)
}
