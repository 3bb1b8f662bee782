package station

import (
	"slices"
	"time"

	"example.org/panecal/store/record"
)

// The steps between two times that the hands are needed.
var (
	untilTarget  = []Step{Greeting, Reading, Recalling, Intending, Voiding, EmptyCapture, EmptyEstimate}
	untilVerdict = []Step{TargetCapture, RangesCapture, TargetEstimate, WriteIntending, Writing, ReadingBack, VerifyCapture,
		VerifyEstimate, Saving, Recording, Releasing}
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

// remaining adds up what the steps that are left took lately.
func (m *Machine) remaining(n *nest) time.Duration {
	const unknown = -time.Second
	if !stepTable[n.step].works {
		return unknown
	}
	stretches := [][]Step{untilTarget, untilVerdict}
	if m.cfg.Fixture {
		stretches = [][]Step{append(slices.Concat(untilTarget, []Step{Emptying, Moving}), untilVerdict...)}
	}
	for _, stretch := range stretches {
		at := slices.Index(stretch, n.step)
		if at < 0 {
			continue
		}
		if _, known := m.pace[n.step]; !known {
			return unknown
		}
		left := max(0, m.pace[n.step]-m.now.Sub(n.since))
		for _, s := range stretch[at+1:] {
			left += m.pace[s]
		}
		return left
	}
	return unknown
}
