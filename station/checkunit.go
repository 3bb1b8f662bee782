package station

import (
	"slices"
	"time"
)

// purposeOf is what a unit runs for: where units are made, a check unit is one
// by its label.
func (m *Machine) purposeOf(serial string) Purpose {
	if m.cfg.Purpose == Production && slices.Contains(m.cfg.CheckUnits, serial) {
		return Check
	}
	return m.cfg.Purpose
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
// that is due, or that a nest wants that was mended. A station that never saw one
// is due from its start.
func (m *Machine) standing() []Message {
	all := m.cutOffs()
	for _, n := range m.nests {
		if n.mended && n.step != Stopped {
			all = append(all, Message{Nest: n.index, Code: NoticeCheckFirst, Args: Args{Nest: n.sheet.Name}})
		}
		if n.lit != nil {
			all = append(all, Message{At: n.lit.since, Nest: n.index, Code: BrokenEmitter, Args: m.emitterArgs(n)})
		}
	}
	all = append(all, m.datesStanding()...)
	return append(all, m.checkDue()...)
}

// checkDue says that a check unit is due, or overdue.
func (m *Machine) checkDue() []Message {
	if m.cfg.CheckEvery <= 0 || !counted(m.cfg.Purpose) || !m.started {
		return nil
	}
	due := m.began
	if !m.checked.IsZero() {
		due = m.checked.Add(m.cfg.CheckEvery)
	}
	a := Args{Detail: Clock(due.In(m.site()).Format("15:04"))}
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

// proved: a check unit passed in the nest. After check units did not, all of them
// have to.
func (n *nest) proved(serial string) {
	delete(n.wanted, serial)
	n.mended = n.mended && len(n.wanted) > 0
}

// wantChecks: a stop was lifted, and check units pass before production goes on.
func (m *Machine) wantChecks(n *nest, c Code) {
	if !m.mends(c) {
		return
	}
	n.mended = true
	if c == StopCheck {
		n.wanted = map[string]bool{}
		for _, serial := range m.cfg.CheckUnits {
			n.wanted[serial] = true
		}
	}
}

// followCheck stops a nest that a check unit does not pass in. A row ends with
// one that passes; an aborted run says nothing.
func (m *Machine) followCheck(n *nest) {
	switch n.outcome() {
	case Passed:
		n.streak.checks = 0
		n.proved(n.serial)
	case Failed, Errored:
		n.streak.checks++
	}
	if n.streak.checks >= checksInARow && n.stop == nil {
		n.stop = &Stop{Nest: n.index, Code: StopCheck, Since: m.now, Args: Args{Nest: n.sheet.Name, Detail: Count(n.streak.checks)}}
	}
}

// handsForCheckUnit is what the hands do with a check unit that has run: it is
// never anybody's product.
func handsForCheckUnit(v *Verdict) Code {
	if v.Outcome == Passed {
		return HandsChecked
	}
	return HandsCheckBad
}
