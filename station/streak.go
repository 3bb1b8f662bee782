package station

import (
	"math"
	"strconv"
)

// followUp stops a nest whose results in a row speak against the nest rather
// than against the units.
func (m *Machine) followUp(n *nest) {
	if n.verdict.Again {
		return
	}
	n.silentRow++
	if n.att.code != FailedNoAnswer {
		n.silentRow = 0
	}
	if n.silentRow >= m.cfg.InARow && n.stop == nil {
		n.stop = &Stop{Nest: n.index, Code: StopNoAnswer, Since: m.now,
			Args: Args{Nest: n.sheet.Name, Detail: strconv.Itoa(n.silentRow)}}
	}
	if n.purpose == Check {
		m.followCheck(n)
		return
	}
	m.followShift(n)
	m.followSame(n)
}

const shiftWithinMM = 1.0 // offsets that far apart count as the same distance

// followShift watches for units that are all off by the same distance, where
// no end stop tells the target's place from the units' offsets.
func (m *Machine) followShift(n *nest) {
	o, measured := n.att.quantities["offset.mean"]
	if n.att.code != FailedLimits || n.att.detail != "offset.mean" || !measured || n.sheet.EndStop {
		if n.outcome() == Passed {
			n.shifts = nil
		}
		return
	}
	if k := len(n.shifts); k > 0 && math.Abs(n.shifts[k-1]-o.V) > shiftWithinMM {
		n.shifts = nil
	}
	n.shifts = append(n.shifts, o.V)
	if len(n.shifts) >= m.cfg.InARow && n.stop == nil {
		n.stop = &Stop{Nest: n.index, Code: StopShift, Since: m.now,
			Args: Args{Nest: n.sheet.Name, Detail: strconv.Itoa(len(n.shifts))}}
	}
}

// followSame stops a nest whose units fail the same way one after the other:
// that speaks of their lots, or of the nest. What says nothing about units
// neither counts nor breaks a row.
func (m *Machine) followSame(n *nest) {
	switch {
	case n.outcome() == Passed:
		n.same, n.sameRow = "", 0
		return
	case n.outcome() != Failed || n.att.code == FailedNoAnswer: // silent units have a stop of their own
		return
	}
	if how := n.att.result.SoftName; how != n.same {
		n.same, n.sameRow = how, 0
	}
	n.sameRow++
	if m.cfg.SameInARow > 0 && n.sameRow >= m.cfg.SameInARow && n.stop == nil {
		n.stop = &Stop{Nest: n.index, Code: StopSame, Since: m.now,
			Args: Args{Nest: n.sheet.Name, Detail: strconv.Itoa(n.sameRow), Other: n.same}}
	}
}
