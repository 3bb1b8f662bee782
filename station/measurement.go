package station

import (
	"example.org/panecal/protocol"
	"example.org/panecal/station/product"
)

// beginEmpty starts the capture without a target, here and after a fault that
// leaves nothing else.
func (m *Machine) beginEmpty(n *nest) {
	n.att.far = false
	if m.moves(n) {
		m.move(n, Emptying, TargetOut)
		return
	}
	m.captureNow(n, EmptyCapture)
}

func (m *Machine) emptied(n *nest, _ Fact) { m.captureNow(n, EmptyCapture) }

// beginTarget starts the capture with the target, or waits until it is there.
func (m *Machine) beginTarget(n *nest) {
	if m.moves(n) {
		m.move(n, Moving, TargetNear)
		return
	}
	m.watch(n, Targeting, TargetCapture, true)
}

func (m *Machine) moved(n *nest, _ Fact) {
	if n.att.far {
		m.captureNow(n, VerifyCapture)
		return
	}
	m.captureNow(n, TargetCapture)
}

// captureFor says how the capture of a step is taken.
func (f *Files) captureFor(s Step) Capture {
	plans := f.Product.Capture
	take := func(name string, p product.Plan, kind protocol.CaptureKind) Capture {
		return Capture{Name: name, Request: protocol.CaptureRequest{Kind: kind, Shots: p.Shots, Frames: max(p.Frames, 1)}}
	}
	kind := protocol.Histograms
	if f.summary() {
		kind = protocol.Ranges
	}
	switch s {
	case TargetCapture:
		return take("target", plans.Target, kind)
	case RangesCapture:
		return take("ranges", plans.Target, protocol.Ranges)
	case VerifyCapture:
		// A unit whose own range is corrected shows it with its constants on;
		// else the station ranges, with the constants that it read back.
		if f.unitRanges() || f.summary() {
			c := take("verify", plans.Verify, protocol.Ranges)
			c.Request.Compensated = true
			return c
		}
		return take("verify", plans.Verify, kind)
	}
	return take("empty", plans.Empty, kind)
}

// captureNow takes one of the unit's captures.
func (m *Machine) captureNow(n *nest, s Step) {
	m.enter(n, s)
	c := n.files.captureFor(s)
	if s == VerifyCapture && n.att.far {
		c.Name = "verify far"
	}
	c.Request.ID = m.nextCapture()
	c.Request.Compensated = c.Request.Compensated || c.Request.Kind == protocol.Ranges && !n.unit.CompensationOff
	m.light(n, c)
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
	if m.doubtPlace(n) {
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

func (m *Machine) beginVerify(n *nest) { m.captureNow(n, VerifyCapture) }

func (m *Machine) verifyCaptured(n *nest, f Fact) {
	c, ok := m.kept(n, f)
	if !ok {
		return
	}
	block := n.adjusted()
	if block == nil {
		m.broken(n, BrokenInternal, "verifying a unit that holds no constants")
		return
	}
	job := EstimateVerify{By: n.files.estimator, Constants: ConstantsOf(block), Reference: n.verifyReference(), Offsets: n.att.offsets}
	job.Histogram, job.Summary = n.inputs(c)
	m.enter(n, VerifyEstimate)
	m.ask(n, job)
}

func (m *Machine) verifyEstimated(n *nest, f Fact) {
	v := f.(VerifyEstimated).Verification
	if !n.att.far {
		n.att.verification = v
	}
	n.putQuantities(v.Quantities)
	if len(v.Faults) > 0 {
		m.accuse(n, v.Faults)
		return
	}
	if m.moves(n) && n.sheet.HasFar() && !n.att.far && !m.failsAlready(n) {
		n.att.far, n.att.tries = true, 0
		m.move(n, Moving, TargetFar)
		return
	}
	m.finish(n)
}
