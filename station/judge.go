package station

import (
	"bytes"
	"strconv"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
)

// finish judges what there is and makes it durable, captures first.
func (m *Machine) finish(n *nest) {
	m.rest(n)
	m.conclude(n)
	if len(n.att.captures) > 0 {
		m.enter(n, Saving)
		m.ask(n, Save{Captures: n.att.captures})
		return
	}
	m.putOnRecord(n)
}

// conclude finds bin and disposition.
func (m *Machine) conclude(n *nest) {
	a, lim := &n.att, n.limits()
	// Nothing is released on trust: what passed must have been written, and
	// have come back the same.
	if a.code == "" && writes(n.purpose) && lim.Judge(a.quantities).Passed &&
		(a.readBack == nil || !bytes.Equal(a.readBack, a.written)) {
		a.code, a.detail = BrokenInternal, Because{Reason: ReasonNotReadBack}
	}
	switch a.code {
	case "":
		a.result = lim.Judge(a.quantities)
	case FailedNoAnswer:
		a.result, _ = lim.JudgeAs(limits.NoAnswer, a.quantities)
	case FailedWrite, FailedReadBack, FailedVerify:
		a.result, _ = lim.JudgeAs(limits.Verify, a.quantities)
	case FailedLabel:
		a.result, _ = lim.JudgeAs(limits.Label, a.quantities)
	case BrokenSkipped, BrokenShutdown, BrokenPaused:
		a.result, _ = lim.JudgeAs(limits.Aborted, a.quantities)
	default:
		a.result, _ = lim.JudgeAs(limits.Capture, a.quantities)
	}
	switch {
	case a.code != "":
	case a.result.Passed && n.purpose == Engineering:
		m.holdBack(n, BrokenHold)
	case a.result.Passed && n.purpose == Audit && !n.bearsMark():
		m.holdBack(n, BrokenUnmarked)
	case a.result.Passed:
		a.code = NoticePassed
	case m.reworkedOut(n):
		m.holdBack(n, FailedReworks)
		a.detail = Count(a.reworks)
	case a.result.SoftName == limits.Verify:
		a.code, a.detail = FailedVerify, outOfLimits(a.result)
	default:
		a.code, a.detail = FailedLimits, outOfLimits(a.result)
	}
}

// reworkedOut reports whether the unit would be sent to a rework that it may not
// have any more.
func (m *Machine) reworkedOut(n *nest) bool {
	most := n.files.Product.Retest.MaxReworks
	return most > 0 && n.att.reworks >= most && counted(n.purpose) && n.att.result.Disposition == limits.Rework
}

// limits are those that the unit is held against. Where nothing is written and
// the unit bears no constants, what they would do cannot be measured, and is
// not asked for.
func (n *nest) limits() *limits.File {
	if writes(n.purpose) || n.adjusted() != nil {
		return n.files.Limits
	}
	return n.files.Limits.Excusing(quantity.VerifyError, quantity.VerifyErrorFar)
}

// holdBack keeps a unit that passed from going on.
func (m *Machine) holdBack(n *nest, c Code) {
	hold, _ := n.files.Limits.Bin(limits.Capture)
	n.att.code = c
	n.att.result.Disposition, n.att.result.HardBin = limits.Hold, hold.Hard.Number
	n.att.result.Instruction = limits.Text{Plain: c.Do(Args{Nest: n.sheet.Name, Label: n.label, Bin: strconv.Itoa(hold.Hard.Number)})}
}

// bearsMark reports whether the unit was found with released constants.
func (n *nest) bearsMark() bool {
	b := n.adjusted()
	return b != nil && b.State == protocol.Released
}

func (n *nest) outcome() Outcome { return Outcome(n.att.result.Outcome) }

// failing reports whether the mean offset fails its limit, and whether anything
// else that has been measured fails.
func (m *Machine) failing(n *nest) (offset, otherwise bool) {
	for _, l := range n.files.Limits.Judge(n.att.quantities).Lines {
		if l.Measured && !l.Passed {
			offset = offset || l.Name == quantity.OffsetMean
			otherwise = otherwise || l.Name != quantity.OffsetMean
		}
	}
	return offset, otherwise
}

// failsAlready reports whether a limit fails on what has been measured; what
// has not been measured yet accuses nobody.
func (m *Machine) failsAlready(n *nest) bool {
	offset, otherwise := m.failing(n)
	return offset || otherwise
}
