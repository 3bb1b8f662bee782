package station

import (
	"fmt"
	"strconv"

	"example.org/panecal/limits"
	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
	"example.org/panecal/store/record"
)

// greet meets a unit whose label is known: is it what the station is set up
// for?
func (m *Machine) greet(n *nest, id protocol.Identity) {
	m.rest(n)
	n.unit, n.quiet, n.trouble = id, 0, nil
	m.begin(n)
	if due := n.sheet.Due; !due.IsZero() && !m.now.Before(m.dateEnds(due)) {
		m.stopNest(n, StopDue, Args{Detail: Day(due.Format("2006-01-02"))})
		return
	}
	if ended := n.files.ended(m.now); ended != nil {
		m.refuse(n, RefusedEnded, Args{Detail: Verbatim(ended.Error())})
		return
	}
	if n.mended && counted(n.purpose) {
		m.refuse(n, RefusedCheckFirst, Args{})
		return
	}
	if code, a := n.files.mismatch(id); code != "" {
		m.refuse(n, code, a)
		return
	}
	m.enter(n, Greeting)
	m.ask(n, Report{})
}

// reported: the unit is well, as far as it can tell.
func (m *Machine) reported(n *nest, f Fact) {
	s := f.(Reported).Status
	n.att.tempCel = float64(s.TempMilliCel) / 1000
	// Constants that are no whole block are what the station mends.
	if faults := s.Faults &^ protocol.FaultConstants; faults != 0 {
		m.refuse(n, RefusedUnitFault, Args{Detail: Verbatim(fmt.Sprintf("%#x", faults))})
		return
	}
	m.enter(n, Reading)
	m.ask(n, ReadBlock{})
}

// read: the block found in the unit is known.
func (m *Machine) read(n *nest, f Fact) {
	n.att.found = f.(BlockRead).Raw
	m.enter(n, Recalling)
	m.ask(n, Recall{Serial: n.serial, UnitID: n.unit.UnitID})
}

// earlyTries is how often a unit may say who it is and then fall silent.
const earlyTries = 3

// early is trouble before the attempt began: nothing has been done to the
// unit, so it gets its time to answer again.
func (m *Machine) early(n *nest, f Failure) {
	switch {
	case f.Trouble == Broke:
		m.lostPort(n, f)
	case f.Trouble == Denied:
		m.refuse(n, BrokenRefused, Args{Detail: Verbatim(f.Why)})
	case f.Trouble == Garbled:
		m.refuse(n, BrokenGarbled, Args{Detail: Verbatim(f.Why)})
	case n.early+1 >= earlyTries:
		m.noAnswer(n)
	default:
		n.early++
		m.rest(n)
		m.enter(n, Expected)
		m.sleep(n, probeEvery)
	}
}

// recalled decides, from all that is known of label and unit, whether an
// attempt may begin.
func (m *Machine) recalled(n *nest, f Fact) {
	if m.closing {
		m.end(n)
		return
	}
	if n.stray {
		m.strayRecalled(n, f.(Recalled))
		return
	}
	if to := replaced(f.(Recalled).BySerial, n.serial); to != "" {
		m.refuse(n, RefusedRelabelled, Args{Detail: Verbatim(to)})
		return
	}
	h := newHistory(f.(Recalled), n.serial, n.unit.UnitID, n.purpose)
	n.att.number = h.judged + 1
	tie := n.files.tie(n.serial, n.unit)
	n.att.tie, n.att.confirmed = tie.how, tie.confirmed
	if n.mute {
		m.intend(n)
		return
	}
	if tie.unlisted {
		m.refuse(n, RefusedUnlisted, Args{})
		return
	}
	if tie.wrong || len(h.conflicts) > 0 {
		m.contradiction(n, h, tie)
		return
	}
	if !m.testimony(n, f.(Recalled)) {
		return
	}
	if h.unfinished {
		m.announce(n.index, NoticeUnfinished, Args{Nest: n.sheet.Name, Label: n.label})
	}
	if n.inForce() != nil && !writes(n.purpose) && n.files.Product.Setup.Ranging != estimate.RangingMean {
		m.refuse(n, RefusedShape, Args{Detail: Because{Reason: ReasonAddBack}})
		return
	}
	if !counted(n.purpose) {
		m.admit(n)
		return
	}
	m.admitAgain(n, h)
}

// admitAgain decides what a unit may do that may have run before: only
// production asks.
func (m *Machine) admitAgain(n *nest, h history) {
	if m.barred(n, h) {
		return
	}
	rules := n.files.Product.Retest
	most := rules.MaxAttempts
	n.att.reworks = h.reworks
	switch e, unseen := m.unseen[n.serial]; {
	case h.resolvable(n.att.found):
		m.resolve(n, h)
	case unseen && mayShow(e, h.dispositionOf(e), n.att.found):
		m.again(n, e, h.dispositionOf(e))
	case h.released(n.att.found) && !n.files.Product.Retest.AfterPass:
		m.refuse(n, RefusedPassed, Args{})
	case most > 0 && h.since >= most:
		m.refuse(n, RefusedCap, Args{Detail: Count(most)})
	case rules.MaxReworks > 0 && h.reworks > rules.MaxReworks:
		m.refuse(n, RefusedReworks, Args{Detail: Count(rules.MaxReworks)})
	case h.at == Rework && !h.mended:
		m.refuse(n, RefusedRework, Args{})
	case h.released(n.att.found):
		m.enter(n, Confirming)
		m.sleep(n, probeEvery)
	default:
		m.admit(n)
	}
}

// stillConfirming watches a unit whose rerun nobody has confirmed yet. What
// is confirmed is this unit, and no other that has taken its place.
func (m *Machine) stillConfirming(n *nest, f Fact) {
	if f.(Identified).Identity.UnitID != n.unit.UnitID {
		n.quiet = 0
		m.left(n)
		return
	}
	n.quiet = 0
	m.sleep(n, probeEvery)
}

// confirmed: the operator wants a unit that has passed to run again.
func (m *Machine) confirmed(n *nest) {
	m.rest(n)
	m.admit(n)
}

// intend makes the attempt's intent durable before anything is done to the
// unit.
func (m *Machine) intend(n *nest) {
	m.rest(n)
	m.enter(n, Intending)
	m.ask(n, Append{Body: &record.AttemptIntent{Run: m.run(n), BlockFound: n.att.found, Gate: n.att.gate}})
}

// intended: the attempt has begun.
func (m *Machine) intended(n *nest, f Fact) {
	ref := f.(Stored).Ref
	n.att.intent = &ref
	delete(m.cutOff, n.serial)
	switch {
	case m.closing:
		m.broken(n, BrokenShutdown, m.closeWhy)
	case n.mute:
		n.att.code = FailedNoAnswer
		m.finish(n)
	case writes(n.purpose):
		// A unit that is void already, or never held anything, too: what it bears
		// from now on is that this attempt was begun, however it ends.
		m.enter(n, Voiding)
		m.ask(n, Void{Witness: WitnessTo(ref)})
	default:
		m.beginMeasuring(n)
	}
}

// voided: the unit holds a void that bears this attempt, or at least a void.
func (m *Machine) voided(n *nest, f Fact) {
	raw := f.(BlockRead).Raw
	switch b, err := protocol.ParseBlock(raw); {
	case err == nil && b.State == protocol.Voided && b.Witness == WitnessTo(*n.att.intent):
		n.att.void = record.VoidBears
	case len(raw) == 0 || err == nil && b.State == protocol.Voided && b.Witness == (protocol.Witness{}):
		n.att.void = record.VoidBare // as firmware does that was made before a void could bear one
	default:
		m.broken(n, BrokenContents, "after its constants were voided it holds others")
		return
	}
	n.att.state = protocol.Voided.String()
	m.beginMeasuring(n)
}

// refuse puts a unit that the station does not take on record.
func (m *Machine) refuse(n *nest, c Code, a Args) {
	hold, _ := n.files.Limits.Bin(limits.Capture)
	a.Nest, a.Label, a.Bin = n.sheet.Name, n.label, strconv.Itoa(hold.Hard.Number)
	m.rest(n)
	m.trouble(n, c, a)
	m.enter(n, Refusing)
	m.ask(n, Append{Body: &record.Refusal{
		Serial: n.serial, Label: n.label, UnitID: n.unit.UnitID, Nest: n.sheet.Name, Purpose: n.purpose,
		Code: string(c), Chain: c.Say(a), Operator: m.crew.Operator, Software: m.cfg.Software,
		Product: n.files.product(),
	}})
}

// refused: the refusal is on record. What the hands are told is on record too
// before they are: a unit that they put on hold is on hold.
func (m *Machine) refused(n *nest, _ Fact) {
	if n.trouble != nil && putsOnHold(n.trouble.Code) && n.serial != "" && n.purpose.Decides() && !m.onHold(n.serial) {
		n.queue = append(n.queue, &record.DispositionChange{Serial: n.serial, UnitID: n.unit.UnitID, To: Hold,
			Code: string(n.trouble.Code), Why: n.trouble.Code.Say(n.trouble.Args), By: byStation})
		m.change(n, func() { m.turn(n) })
		return
	}
	m.turn(n)
}

// byStation is what a record says of what the station did by itself.
const byStation = "station"

// putsOnHold tells the refusals after which the hands put the unit on hold.
func putsOnHold(c Code) bool {
	switch c {
	case RefusedUnlisted, RefusedFirmware, RefusedVersion, RefusedShape, RefusedCap, RefusedReworks, RefusedUnitFault, RefusedUnreadable,
		RefusedSilent, BrokenGarbled, BrokenRefused:
		return true
	}
	return false
}

// turn waits for a unit that was refused to be taken out.
func (m *Machine) turn(n *nest) {
	if m.closing {
		m.end(n)
		return
	}
	m.enter(n, Turned)
	m.sleep(n, probeEvery)
}

// turnAway: the operator does not want the unit to run again.
func (m *Machine) turnAway(n *nest) {
	m.rest(n)
	m.enter(n, Turned)
	m.sleep(n, probeEvery)
}
