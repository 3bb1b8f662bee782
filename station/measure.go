package station

import (
	"fmt"
	"maps"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
	"example.org/panecal/store/record"
)

// The pause between two short captures that watch the field, and between two
// that see what looks like the target keep still, where these take no time
// themselves.
const (
	lookEvery = 150 * time.Millisecond
	lookSoon  = 20 * time.Millisecond
)

// beginEmpty starts the capture without a target, here and after a fault that
// leaves nothing else.
func (m *Machine) beginEmpty(n *nest) {
	if m.cfg.Fixture {
		m.enter(n, Emptying)
		m.ask(n, Move{In: false})
		return
	}
	m.captureNow(n, EmptyCapture)
}

func (m *Machine) emptied(n *nest, _ Fact) { m.captureNow(n, EmptyCapture) }

// beginTarget starts the capture with the target, or waits until it is there.
func (m *Machine) beginTarget(n *nest) {
	if m.cfg.Fixture {
		m.enter(n, Moving)
		m.ask(n, Move{In: true})
		return
	}
	m.watch(n, Targeting, TargetCapture, true)
}

func (m *Machine) moved(n *nest, _ Fact) { m.captureNow(n, TargetCapture) }

// captureNow takes one of the unit's captures.
func (m *Machine) captureNow(n *nest, s Step) {
	m.enter(n, s)
	name, plan, kind, compensated := n.files.captureFor(s)
	m.light(n, Capture{Name: name, Request: protocol.CaptureRequest{
		ID: m.nextCapture(), Kind: kind, Compensated: compensated || kind == protocol.Ranges && !n.unit.CompensationOff, Shots: plan.Shots, Frames: max(plan.Frames, 1)}})
}

func (m *Machine) nextCapture() uint32 {
	m.captureID++
	return m.captureID
}

// kept keeps a capture for the record, and reports whether it is complete.
func (m *Machine) kept(n *nest, f Fact) (*protocol.Capture, bool) {
	c := f.(Captured)
	n.att.wire = addWire(n.att.wire, c.Wire)
	raw := n.recordCapture(c.Capture)
	n.att.captures = append(n.att.captures, raw)
	m.emit(n.index, 0, Keep{Capture: raw})
	if c.Capture.End == protocol.Complete {
		return c.Capture, true
	}
	m.bad(n, BadEnd, c.Capture.End.String(), nil)
	return nil, false
}

func (m *Machine) emptyCaptured(n *nest, f Fact) {
	c, ok := m.kept(n, f)
	if !ok {
		return
	}
	n.att.scene = sceneOf(c)
	n.att.dark = n.att.scene
	job := EstimateEmpty{By: n.files.estimator}
	job.Histogram, job.Summary = n.inputs(c)
	m.enter(n, EmptyEstimate)
	m.ask(n, job)
}

func (m *Machine) emptyEstimated(n *nest, f Fact) {
	l := f.(EmptyEstimated).Leakage
	n.att.leakage = l
	n.putQuantities(l.Quantities)
	if len(l.Faults) > 0 {
		m.accuse(n, l.Faults)
		return
	}
	if m.failsAlready(n) && !n.files.Product.MeasureAfterFailure {
		m.finish(n)
		return
	}
	m.beginTarget(n)
}

func (m *Machine) targetCaptured(n *nest, f Fact) {
	c, ok := m.kept(n, f)
	if !ok {
		return
	}
	n.att.target = c
	n.att.scene = sceneOf(c)
	if n.files.unitRanges() && c.Kind != protocol.Ranges {
		m.captureNow(n, RangesCapture)
		return
	}
	m.estimateTarget(n, nil)
}

func (m *Machine) rangesCaptured(n *nest, f Fact) {
	if c, ok := m.kept(n, f); ok {
		m.estimateTarget(n, c)
	}
}

func (m *Machine) estimateTarget(n *nest, ranges *protocol.Capture) {
	job := EstimateTarget{By: n.files.estimator, Leakage: n.att.leakage, Reference: n.reference()}
	job.Histogram, job.Summary = n.inputs(n.att.target)
	if ranges != nil {
		_, job.Summary = n.inputs(ranges)
	}
	n.att.unitRanges = job.Summary
	m.enter(n, TargetEstimate)
	m.ask(n, job)
}

func (m *Machine) targetEstimated(n *nest, f Fact) {
	t := f.(TargetEstimated)
	n.att.offsets, n.att.constants, n.att.projection = t.Offsets, t.Constants, t.ProjectionMM
	n.putQuantities(t.Offsets.Quantities)
	if len(t.Offsets.Faults) > 0 {
		m.accuse(n, t.Offsets.Faults)
		return
	}
	fails := m.failsAlready(n)
	if !fails { // a target that stood where it should
		n.stood = sceneOf(n.att.target).above(n.att.dark)
	}
	switch {
	case fails:
		m.finish(n)
	case writes(n.purpose):
		m.intendWrite(n)
	case n.adjusted() != nil:
		m.beginVerify(n)
	default:
		m.finish(n)
	}
}

func (n *nest) putQuantities(s quantity.Set) {
	if n.att.quantities == nil {
		n.att.quantities = quantity.Set{}
	}
	maps.Copy(n.att.quantities, s)
}

// failsAlready reports whether a limit fails on what has been measured; what
// has not been measured yet accuses nobody.
func (m *Machine) failsAlready(n *nest) bool {
	for _, l := range n.files.Limits.Judge(n.att.quantities).Lines {
		if l.Measured && !l.Passed {
			return true
		}
	}
	return false
}

// faultCodes are the operator's codes of what the estimator accuses.
var faultCodes = map[estimate.FaultCode]Code{
	estimate.FaultStray:          BadStray,
	estimate.FaultFrames:         BadFrames,
	estimate.FaultAmbient:        BadAmbient,
	estimate.FaultSaturated:      BadSaturated,
	estimate.FaultDeadZones:      BadDead,
	estimate.FaultHotZones:       BadHot,
	estimate.FaultLeakageChanged: BadLeakage,
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
	m.trouble(n, c, Args{Detail: chain})
	s := n.step
	switch {
	case c == BadLeakage: // the target stands there: it must go before the field is empty again
		m.retake(n, EmptyCapture, true)
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
	case s == EmptyCapture && m.cfg.Fixture:
		m.beginEmpty(n)
	case s == TargetCapture && m.cfg.Fixture:
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
		n.att.code, n.att.detail = BrokenCapture, fmt.Sprint(m.cfg.Tries)
	}
	m.finish(n)
}

// watch looks at the field with short captures until it has changed (or may
// stay as it is) and is still; then the capture s is taken.
func (m *Machine) watch(n *nest, step, s Step, change bool) {
	m.enter(n, step)
	n.att.looks = sceneWatch{base: n.att.scene, dark: n.att.dark, change: change, then: s}
	if s != EmptyCapture {
		n.att.looks.stood = n.stood
	}
	m.look(n)
}

func (m *Machine) look(n *nest) {
	m.light(n, Capture{Name: "look", Request: protocol.CaptureRequest{
		ID: m.nextCapture(), Kind: n.lookKind(), Compensated: n.lookKind() == protocol.Ranges && !n.unit.CompensationOff,
		Shots: n.files.lookShots(), Frames: 1}})
}

func (m *Machine) looked(n *nest, f Fact) {
	w := &n.att.looks
	c := f.(Captured)
	n.att.wire = addWire(n.att.wire, c.Wire)
	ready, soon := w.ready(sceneOf(c.Capture), m.now)
	if ready {
		n.trouble = nil
		m.captureNow(n, w.then)
		return
	}
	if limit := m.cfg.HandsTime; limit > 0 && m.now.Sub(n.since) >= limit {
		m.broken(n, BrokenTarget, "")
		return
	}
	switch {
	case soon && w.still == 0:
		m.look(n)
	case soon:
		m.sleep(n, lookSoon)
	default:
		m.sleep(n, lookEvery)
	}
}

// hurry takes the operator's word that the field is as it should be.
func (m *Machine) hurry(n *nest) { n.att.looks.hurry = true }

// lookKind is the smallest capture that shows whether something stands in
// the field, and that the last full capture can be compared with.
func (n *nest) lookKind() protocol.CaptureKind {
	switch {
	case n.files.summary():
		return protocol.Ranges
	case n.unit.Kinds.Has(protocol.Totals):
		return protocol.Totals
	}
	return protocol.Histograms
}

func (n *nest) problem(at time.Time, c Code, chain string) {
	n.att.problems = append(n.att.problems, record.Problem{Code: string(c), Step: n.step.String(), Chain: chain, Time: at})
}

func addWire(a, b record.Wire) record.Wire {
	return record.Wire{Requests: a.Requests + b.Requests, Retries: a.Retries + b.Retries, BadPackets: a.BadPackets + b.BadPackets,
		Dropped: a.Dropped + b.Dropped, BytesOut: a.BytesOut + b.BytesOut, BytesIn: a.BytesIn + b.BytesIn}
}
