package station

import (
	"time"

	"example.org/panecal/protocol"
)

// The pause between two short captures that watch the field, and between two
// that see what looks like the target keep still, where these take no time
// themselves.
const (
	lookEvery = 150 * time.Millisecond
	lookSoon  = 20 * time.Millisecond
)

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

// lookShots is a hundredth of the target capture: enough to see a target
// arrive, too few to measure it.
func (f *Files) lookShots() int64 {
	const least, share = 2000, 100
	return max(least, f.Product.Capture.Target.Total()/share)
}

// sceneWatch waits for a field to change and to keep still.
type sceneWatch struct {
	base   scene
	dark   scene // without a target
	stood  scene // what the last good target added to the dark in this nest, empty where none has
	last   scene
	change bool      // the field must differ from base
	until  time.Time // only that long; zero: for ever
	hurry  bool      // the operator says that it is as it should be
	still  int       // looks in a row that agree
	since  time.Time // the first of them
	then   Step      // the capture to take
}

// seen reports whether the last look saw the change that is waited for.
func (w *sceneWatch) seen() bool { return len(w.last.rate) > 0 && w.last.differs(w.base) }

// How long a field must keep still. A hand that passes by does not keep still
// for three looks with the pauses between them. Nor does it look like the
// target that stood here last, at its distance and as bright in nearly every
// zone: such a scene is looked at once more without a pause. What still moves
// then, if slower than that shows, makes the capture bad by its own frames.
const (
	stillLooks = 2                     // looks that must agree with the one before
	stillFor   = 60 * time.Millisecond // what looks like the target: from one look to one that agrees
)

// ready takes the next look. soon asks for one more without a pause.
func (w *sceneWatch) ready(now scene, at time.Time) (ready, soon bool) {
	if len(w.last.rate) > 0 && !now.moved(w.last) {
		w.still++
	} else {
		w.still, w.since = 0, at
	}
	w.last = now
	switch {
	case w.hurry:
		return true, false
	case w.change && !now.differs(w.base) && (w.until.IsZero() || at.Before(w.until)):
		return false, false
	case w.change && now.above(w.dark).like(w.stood):
		return w.still > 0 && at.Sub(w.since) >= stillFor, true
	}
	return w.still >= stillLooks, false
}
