package station

import (
	"fmt"

	"example.org/panecal/station/estimate"
	"example.org/panecal/store/record"
)

// faultCodes are the operator's codes of what the estimator accuses.
var faultCodes = map[estimate.FaultCode]Code{
	estimate.FaultStray:          BadStray,
	estimate.FaultFrames:         BadFrames,
	estimate.FaultAmbient:        BadAmbient,
	estimate.FaultSaturated:      BadSaturated,
	estimate.FaultDeadZones:      BadDead,
	estimate.FaultHotZones:       BadHot,
	estimate.FaultLeakageChanged: BadLeakage,
	estimate.FaultMisfit:         BadMisfit,
	estimate.FaultTargetMissing:  BadMissing,
}

// accuse goes by the first fault of a capture.
func (m *Machine) accuse(n *nest, faults []estimate.Fault) {
	n.att.faults = append(n.att.faults, faults...)
	code, ok := faultCodes[faults[0].Code]
	if !ok {
		code = BadFrames
	}
	zones := record.ZoneList(faults[0].Zones, n.unit.Rows*n.unit.Cols)
	m.bad(n, code, fmt.Sprintf("%s capture, zones %s", faults[0].Capture, zones), faults)
}

// bad throws away a capture: the same attempt goes on, a few times.
func (m *Machine) bad(n *nest, c Code, chain string, faults []estimate.Fault) {
	n.problem(m.now, c, chain)
	n.att.tries++
	if n.att.tries >= m.cfg.Tries {
		m.giveUp(n, faults)
		return
	}
	m.trouble(n, c, Args{Detail: Verbatim(chain)})
	s := n.step
	switch {
	case c == BadLeakage: // the target stands there: it must go before the field is empty again
		m.retake(n, EmptyCapture, true)
	case c == BadPlace || c == BadUnsure: // hands see to the target's stop, and may find it in its place
		m.retake(n, TargetCapture, true)
		n.att.looks.until = m.now.Add(m.placeTime())
	case s == EmptyCapture || s == EmptyEstimate:
		m.retake(n, EmptyCapture, c == BadStray)
	case s == VerifyCapture || s == VerifyEstimate:
		m.watch(n, Targeting, VerifyCapture, false)
	default:
		m.retake(n, TargetCapture, false)
	}
}

// retake takes the capture again when the field has changed, or is still.
func (m *Machine) retake(n *nest, s Step, change bool) {
	switch {
	case s == EmptyCapture && m.moves(n):
		m.beginEmpty(n)
	case s == TargetCapture && m.moves(n):
		m.beginTarget(n)
	case s == EmptyCapture:
		m.watch(n, Clearing, s, change)
	default:
		m.watch(n, Targeting, s, change)
	}
}

// giveUp ends the attempt without a good capture. Zones that are dead or hot
// in every try are the unit's own, where limits say so.
func (m *Machine) giveUp(n *nest, faults []estimate.Fault) {
	own := len(faults) > 0
	for _, f := range faults {
		own = own && (f.Code == estimate.FaultDeadZones || f.Code == estimate.FaultHotZones)
	}
	if !own || !m.failsAlready(n) {
		n.att.code, n.att.detail = BrokenCapture, Count(m.cfg.Tries)
	}
	m.finish(n)
}
