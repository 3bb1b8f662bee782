package station

import (
	"time"

	"example.org/panecal/store/record"
)

// learn notes how long a step took.
func (m *Machine) learn(n *nest) {
	took := m.now.Sub(n.since)
	if n.att.intent != nil && !n.since.IsZero() {
		n.att.stages = append(n.att.stages, record.Stage{Name: n.step.String(), TookUS: took.Microseconds()})
	}
	if !stepTable[n.step].works || n.since.IsZero() {
		return
	}
	// A slow mean: one odd unit does not make the screen promise nonsense.
	if old, known := m.pace[n.step]; known {
		took = old + (took-old)/4
	}
	m.pace[n.step] = max(took, time.Duration(0))
}

// remaining adds up what the steps that are left, until hands are needed, took
// lately.
func (m *Machine) remaining(n *nest) time.Duration {
	const unknown = -time.Second
	took, known := m.pace[n.step]
	if !stepTable[n.step].works || !known {
		return unknown
	}
	until := Showing
	if n.step < Targeting && !m.moves(n) {
		until = Targeting
	}
	left := max(0, took-m.now.Sub(n.since))
	for s := n.step + 1; s < until; s++ {
		left += m.pace[s]
	}
	return left
}
