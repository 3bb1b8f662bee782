package station

import (
	"math"
	"slices"
)

// streak is what the nest's last results have in common.
type streak struct {
	silent    []string  // labels of units in a row that did not answer
	offsets   []shifted // in a row, that may be the target's place
	same      string    // how the last units failed
	sameUnits []string  // serials of those in a row that did
	checks    int       // runs of check units in a row that did not pass
}

// shifted is a unit and by how much all of it is off.
type shifted struct {
	serial string
	mm     float64
}

// once adds a unit that is not there yet: one that runs again says nothing new
// about the nest.
func once(units []string, serial string) []string {
	if slices.Contains(units, serial) {
		return units
	}
	return append(units, serial)
}

// followUp stops a nest whose results in a row speak against the nest rather
// than against the units.
func (m *Machine) followUp(n *nest) {
	if n.verdict.Again {
		return
	}
	m.followLine(n)
	if n.att.code == FailedNoAnswer {
		n.streak.silent = once(n.streak.silent, n.serial)
	} else {
		n.streak.silent = nil
	}
	if len(n.streak.silent) >= m.cfg.InARow && n.stop == nil {
		n.stop = &Stop{Nest: n.index, Code: StopNoAnswer, Since: m.now,
			Args: Args{Nest: n.sheet.Name, Detail: Count(len(n.streak.silent))}}
	}
	if n.purpose == Check {
		m.followCheck(n)
		return
	}
	m.followOffset(n)
	m.followSame(n)
}

// followLine stops a nest whose line spoilt or lost more of an attempt's
// packets than its sheet tolerates, and than chance makes of that: each was
// mended by asking again, and nobody would look after the cable.
func (m *Machine) followLine(n *nest) {
	w := n.att.wire
	bad, tolerated := float64(max(w.BadPackets, w.Retries)), n.sheet.Tolerated()/1000*float64(w.Requests)
	if n.stop == nil && bad > tolerated+3*math.Sqrt(tolerated)+3 {
		n.stop = &Stop{Nest: n.index, Code: StopLine, Since: m.now,
			Args: Args{Nest: n.sheet.Name, Detail: Count(math.Round(bad)), Other: Count(w.Requests)}}
	}
}

const sameOffsetMM = 1.0 // offsets that far apart count as the same distance

// followOffset watches for units that are all off by the same distance, where
// that may be the target's place.
func (m *Machine) followOffset(n *nest) {
	shift, ok := n.shifted()
	if !ok {
		if n.outcome() == Passed {
			n.streak.offsets = nil
		}
		return
	}
	if k := len(n.streak.offsets); k > 0 && math.Abs(n.streak.offsets[k-1].mm-shift) > sameOffsetMM {
		n.streak.offsets = nil
	}
	n.streak.offsets = slices.DeleteFunc(n.streak.offsets, func(s shifted) bool { return s.serial == n.serial })
	n.streak.offsets = append(n.streak.offsets, shifted{n.serial, shift})
	if len(n.streak.offsets) >= m.cfg.InARow && n.stop == nil {
		n.stop = &Stop{Nest: n.index, Code: StopOffset, Since: m.now,
			Args: Args{Nest: n.sheet.Name, Detail: Count(len(n.streak.offsets))}}
	}
}

// followSame stops a nest whose units fail the same way one after the other:
// that speaks of their lots, or of the nest. What says nothing about units
// neither counts nor breaks a row.
func (m *Machine) followSame(n *nest) {
	switch {
	case n.outcome() == Passed:
		n.streak.same, n.streak.sameUnits = "", nil
		return
	case n.outcome() != Failed || n.att.code == FailedNoAnswer: // silent units have a stop of their own
		return
	}
	if how := n.att.result.SoftName; how != n.streak.same {
		n.streak.same, n.streak.sameUnits = how, nil
	}
	n.streak.sameUnits = once(n.streak.sameUnits, n.serial)
	if m.cfg.SameInARow > 0 && len(n.streak.sameUnits) >= m.cfg.SameInARow && n.stop == nil {
		n.stop = &Stop{Nest: n.index, Code: StopSame, Since: m.now,
			Args: Args{Nest: n.sheet.Name, Detail: Count(len(n.streak.sameUnits)), Other: n.files.binName(n.streak.same)}}
	}
}
