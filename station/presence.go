package station

import (
	"time"

	"example.org/panecal/protocol"
)

// How the station watches its nests. A unit is there when it answers; it has
// gone when it was silent twice, so that one lost answer takes nothing from
// the screen. Silence lasts as long as a unit may take to begin its answer;
// nothing is added to that where hands are at the nest.
const (
	probeEvery  = 250 * time.Millisecond // an empty nest, a unit that still answers
	probeSoon   = 5 * time.Millisecond   // a nest that a unit is on its way to
	reopenEvery = time.Second            // a port that is not there
	goneAfter   = 2                      // silent probes
)

// enterVacant forgets the unit that was there and looks for the next.
func (m *Machine) enterVacant(n *nest) {
	if m.closing {
		m.end(n)
		return
	}
	if n.verdict != nil {
		n.last = &Result{Verdict: *n.verdict, Gone: m.now, Shown: m.now.Sub(n.shown)}
	}
	if n.stop != nil {
		m.enterStopped(n)
		return
	}
	m.clear(n)
	m.enter(n, Vacant)
	m.probe(n)
}

func (m *Machine) probe(n *nest) {
	m.ask(n, Identify{Quick: true})
	n.probed = n.awaits
}

// seated: a unit answers in a nest that was empty.
func (m *Machine) seated(n *nest, f Fact) {
	id := f.(Identified).Identity
	if m.mayEmit(n, id, func() { m.seatedDark(n, id) }) {
		return
	}
	m.seatedDark(n, id)
}

func (m *Machine) seatedDark(n *nest, id protocol.Identity) {
	if n.lit != nil { // it did not say so: it is asked again
		m.enter(n, Vacant)
		m.sleep(n, probeEvery)
		return
	}
	switch {
	case m.mayTake(n, id) && m.open.text == unreadLabel:
		m.open = openLabel{}
		m.name(n, id)
	case m.mayTake(n, id):
		m.attach(n)
		m.greet(n, id)
	case m.showAgain(n, id):
	default:
		n.unit, n.last = id, nil
		m.enter(n, Unlabelled)
		m.sleep(n, probeEvery)
	}
}

// stillVacant: nothing answers in an empty nest.
func (m *Machine) stillVacant(n *nest, f Failure) {
	if f.Trouble == Broke {
		m.lostPort(n, f)
		return
	}
	n.empty = n.empty || f.Trouble == Silent && n.probed > n.proof
	if m.open.text != "" && f.Trouble == Silent {
		m.sleep(n, probeSoon)
		return
	}
	m.sleep(n, probeEvery)
}

// probeNow looks at an empty nest that rests between two probes.
func (m *Machine) probeNow(n *nest) {
	if n.step == Vacant && n.awaits == 0 {
		m.rest(n)
		m.probe(n)
	}
}

// stillThere: the unit that must be taken out answers. Another unit in its
// place means that it has been taken out all the same.
func (m *Machine) stillThere(n *nest, f Fact) {
	id := f.(Identified).Identity
	if step := n.step; m.mayEmit(n, id, func() { m.enter(n, step); m.sleep(n, probeEvery) }) {
		return
	}
	if n.unit.UnitID != "" && id.UnitID != n.unit.UnitID {
		n.quiet = 0
		m.left(n)
		return
	}
	n.unit, n.quiet, n.mute = id, 0, false
	m.sleep(n, probeEvery)
}

// notThere counts silence until the unit has been taken out. A refusal, or a
// port that has gone, is no silence.
func (m *Machine) notThere(n *nest, f Failure) {
	if f.Trouble == Silent {
		n.quiet++
	}
	switch {
	case n.mute || f.Trouble != Silent:
		m.sleep(n, probeEvery)
	case n.quiet < goneAfter:
		m.probe(n)
	default:
		m.left(n)
	}
}

// left: the unit has been taken out. A stop of the nest waits until a failed
// unit has come to its box.
func (m *Machine) left(n *nest) {
	if n.step == Showing && n.verdict != nil && n.verdict.Purpose != Check &&
		(m.cfg.RejectScan && !n.verdict.Released() || m.cfg.BoxScan && n.verdict.Released() && !n.verdict.Again && n.verdict.InBox != "") {
		m.rest(n)
		m.enter(n, Rejecting)
		return
	}
	silent := n.quiet > 0
	n.gone = departed{}
	if n.verdict != nil {
		n.gone = departed{n.unit.UnitID, n.serial, m.now}
	}
	m.enterVacant(n)
	n.empty = silent && n.step == Vacant
}

// acknowledged: the operator has seen what the nest shows. It matters where
// the unit's leaving cannot be seen.
func (m *Machine) acknowledged(n *nest) {
	if !n.mute {
		m.operator(n, nil)
		return
	}
	m.left(n)
}

// enterExpected waits for the unit whose label is for this nest.
func (m *Machine) enterExpected(n *nest) {
	m.rest(n)
	n.quiet, n.reseated = 0, false
	m.enter(n, Expected)
	m.ask(n, Identify{})
}

func (m *Machine) probeExpected(n *nest) { m.ask(n, Identify{}) }

func (m *Machine) expectedCame(n *nest, f Fact) {
	id := f.(Identified).Identity
	if m.mayEmit(n, id, func() { m.enterExpected(n) }) {
		return
	}
	m.greet(n, id)
}

// expectedSilent gives the unit its time, asks once to reseat it, gives it
// that time again, and then the attempt has failed.
func (m *Machine) expectedSilent(n *nest, f Failure) {
	switch {
	case f.Trouble == Broke:
		m.lostPort(n, f)
	case m.now.Sub(n.since) < m.cfg.AnswerTime:
		m.sleep(n, probeEvery)
	case f.Trouble == Garbled: // reseating mends no firmware
		m.begin(n)
		m.refuse(n, BrokenGarbled, Args{Detail: Verbatim(f.Why)})
	case !n.reseated:
		n.reseated, n.since = true, m.now
		m.sleep(n, probeEvery)
	default:
		m.noAnswer(n)
	}
}

// noAnswer puts the silent unit on record: what the log holds about its
// label decides which attempt this was.
func (m *Machine) noAnswer(n *nest) {
	n.mute = true
	m.begin(n)
	m.enter(n, Recalling)
	m.ask(n, Recall{Serial: n.serial, UnitID: n.unit.UnitID})
}

// dropLabel ends the wait for a unit that has not come.
func (m *Machine) dropLabel(n *nest) {
	m.announce(n.index, NoticeLabelLeft, Args{Nest: n.sheet.Name, Label: n.label})
	m.enterVacant(n)
}
