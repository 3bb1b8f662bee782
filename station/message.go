package station

import (
	"slices"
	"time"
)

// Message is something said once. Nest is NoNest when it concerns the
// station.
type Message struct {
	At   time.Time
	Nest int
	Code Code
	Args Args
}

// MaxMessages is how many messages a snapshot keeps.
const MaxMessages = 8

// announce says something once, and keeps it for the snapshot.
func (m *Machine) announce(nest int, c Code, a Args) {
	msg := Message{At: m.now, Nest: nest, Code: c, Args: a}
	m.messages = append(m.messages, msg)
	if len(m.messages) > MaxMessages {
		m.messages = slices.Clone(m.messages[len(m.messages)-MaxMessages:])
	}
	m.emit(nest, 0, Announce{Message: msg})
}

// trouble says what stands in the way of the nest now.
func (m *Machine) trouble(n *nest, c Code, a Args) {
	a.Nest = n.sheet.Name
	if a.Label == "" {
		a.Label = n.label
	}
	m.announce(n.index, c, a)
	n.trouble = &m.messages[len(m.messages)-1]
	t := *n.trouble
	n.trouble = &t
}
