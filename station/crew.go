package station

import (
	"cmp"
	"slices"
	"time"
)

// relieve lets another operator, order or lot hold from the next attempt on.
func (m *Machine) relieve(c Crew) {
	m.crew = c
	if c.Anew {
		m.counters, m.judged = Counters{}, nil
	}
}

// tally counts a failed unit.
func (c *Counters) tally(bin int, name string) {
	i := slices.IndexFunc(c.Bins, func(t Tally) bool { return t.SoftBin == bin })
	if i < 0 {
		i = len(c.Bins)
		c.Bins = append(c.Bins, Tally{SoftBin: bin, Name: name})
	}
	c.Bins[i].Units++
	slices.SortStableFunc(c.Bins, func(a, b Tally) int { return cmp.Compare(b.Units, a.Units) })
}

// noteHold keeps account of what is on hold. Check units and studies are never
// anywhere else than with who runs them.
func (m *Machine) noteHold(p Purpose, serial string, d Disposition) {
	switch {
	case p == Check || p == Study || serial == "":
	case d == Hold:
		m.holds[serial] = true
	default:
		delete(m.holds, serial)
	}
}

// noteCheck keeps the time of the last check unit that passed.
func (m *Machine) noteCheck(p Purpose, o Outcome, at time.Time) {
	if p == Check && o == Passed && at.After(m.checked) {
		m.checked = at
	}
}

// dueSoon is the part of the time between two check units in which the next
// one is called due.
const dueSoon = 8

// standing says what is to be known until it no longer holds: a check unit
// that is due. A station that never saw one is due from its start.
func (m *Machine) standing() []Message {
	if m.cfg.CheckEvery <= 0 || !counted(m.cfg.Purpose) || !m.started {
		return nil
	}
	due := m.began
	if !m.checked.IsZero() {
		due = m.checked.Add(m.cfg.CheckEvery)
	}
	a := Args{Detail: due.In(m.now.Location()).Format("15:04")}
	switch {
	case m.now.After(due):
		return []Message{{At: due, Nest: NoNest, Code: NoticeCheckOver, Args: a}}
	case due.Sub(m.now) <= m.cfg.CheckEvery/dueSoon:
		return []Message{{At: due, Nest: NoNest, Code: NoticeCheckDue, Args: a}}
	}
	return nil
}

// checksInARow is how many runs of check units that did not pass stop a nest:
// one may have been a dirty window.
const checksInARow = 2

// followCheck stops a nest that a check unit does not pass in. A row ends with
// one that passes; an aborted run says nothing.
func (m *Machine) followCheck(n *nest) {
	switch n.outcome() {
	case Passed:
		n.checkRow = 0
	case Failed, Errored:
		n.checkRow++
	}
	if n.checkRow >= checksInARow && n.stop == nil {
		n.stop = &Stop{Nest: n.index, Code: StopCheck, Since: m.now, Args: Args{Nest: n.sheet.Name, Detail: itoa(n.checkRow)}}
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
			Args: Args{Nest: n.sheet.Name, Detail: itoa(n.sameRow), Other: n.same}}
	}
}

// refuseLabel says why a scan is no label of ours: first whether the keyboard
// is at fault, which the eyes on the label cannot see.
func (m *Machine) refuseLabel(text string, err error) {
	code, a := RefusedLabel, Args{Label: text, Detail: err.Error()}
	if k, known := m.files.Product.Label.Rules.Keyboard(text); known {
		code, a.Detail = RefusedCapsLock, ""
		if k.Layout != "" {
			code, a.Detail = RefusedLayout, k.Layout
		}
	}
	m.announce(NoNest, code, a)
}
