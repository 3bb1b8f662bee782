package station

import (
	"time"

	"example.org/panecal/store/record"
)

// Stop says that a nest, or with NoNest the station, may not run.
type Stop struct {
	Nest  int
	Code  Code
	Args  Args
	Since time.Time
}

// stopNest stops the nest now; the unit in it, if any, has not begun.
func (m *Machine) stopNest(n *nest, c Code, a Args) {
	a.Nest = n.sheet.Name
	n.stop = &Stop{Nest: n.index, Code: c, Args: a, Since: m.now}
	m.enterStopped(n)
}

// enterStopped puts the nest's stop on record.
func (m *Machine) enterStopped(n *nest) {
	stop := n.stop
	var about *record.Ref
	if !n.att.record.IsZero() {
		ref := n.att.record
		about = &ref
	}
	m.clear(n)
	n.stop, n.streak = stop, streak{}
	m.enter(n, Stopped)
	m.announce(n.index, stop.Code, stop.Args)
	if stop.Code == StopStore { // what cannot be written cannot say so
		if m.closing {
			m.end(n)
		}
		return
	}
	m.ask(n, Append{Body: &record.Stop{Nest: n.sheet.Name, Code: string(stop.Code), Why: stop.Code.Say(stop.Args),
		Detail: said(stop.Args.Detail), Other: said(stop.Args.Other), LiftBy: string(stop.Code.Meaning().Lift), Attempt: about}})
}

// stopStored: the stop, or its end, is on record.
func (m *Machine) stopStored(n *nest, f Fact) {
	ref := f.(Stored).Ref
	switch {
	case m.closing:
		m.end(n)
	case len(n.lifts) > 0:
		n.lifts = n.lifts[1:]
		if len(n.lifts) == 0 {
			m.announce(n.index, NoticeStopLifted, Args{Nest: n.sheet.Name})
		}
		m.goOnFromStops(n)
	case n.lifting != nil:
		m.wantChecks(n, n.stop.Code)
		m.lifted = append(m.lifted, Lifted{n.stop.Code, n.stop.Args, m.now, n.lifting.By, n.lifting.Method})
		n.sheet = m.files.Sheet.Nests[n.index]
		n.stopState = stopState{kept: n.kept}
		m.announce(n.index, NoticeStopLifted, Args{Nest: n.sheet.Name})
		m.goOnFromStops(n)
	default:
		n.stopRef = &ref
	}
}

// liftNext puts the end of a stop from before the start on record.
func (m *Machine) liftNext(n *nest) {
	e := n.lifts[0]
	b := e.Body.(*record.Stop)
	lifted := &record.StopLifted{Stop: e.Ref, Nest: b.Nest, Code: b.Code, By: m.crew.Operator, Method: "restart", Why: "the station was started anew"}
	if m.cfg.Staffed {
		lifted.By, lifted.Method, lifted.Why = m.files.Sheet.Author, methodFile, newSheet
	}
	m.enter(n, Stopped)
	m.ask(n, Append{Body: lifted})
}

const (
	methodFile = "file"
	newSheet   = "a new station sheet is in force"
)

// sift parts the stops from before the start: those that somebody has to lift
// stay.
func (m *Machine) sift(n *nest) {
	if !m.cfg.Staffed {
		return
	}
	all := n.lifts
	n.lifts = nil
	for _, e := range all {
		if Code(e.Body.(*record.Stop).Code) == StopDue && !m.overdue(m.files, n) {
			n.lifts = append(n.lifts, e)
		} else {
			n.kept = append(n.kept, e)
		}
	}
}

// overdue tells whether the certificate of the nest's target has ended by those
// files.
func (m *Machine) overdue(f *Files, n *nest) bool {
	due := f.Sheet.Nests[n.index].Due
	return !due.IsZero() && !m.now.Before(m.dateEnds(due))
}

// goOnFromStops does what the stops from before the start leave to be done:
// each is lifted, or stays; then the nest opens.
func (m *Machine) goOnFromStops(n *nest) {
	switch {
	case len(n.lifts) > 0:
		m.liftNext(n)
	case len(n.kept) > 0:
		e := n.kept[0]
		b := e.Body.(*record.Stop)
		n.kept = n.kept[1:]
		n.stop, n.stopRef = &Stop{Nest: n.index, Code: Code(b.Code), Since: e.Time,
			Args: m.stopArgs(b)}, &e.Ref
		m.enter(n, Stopped)
		m.announce(n.index, n.stop.Code, n.stop.Args)
	default:
		m.enterOpening(n)
	}
}

// stopArgs are what a stop on record names.
func (m *Machine) stopArgs(b *record.Stop) Args {
	a := Args{Nest: b.Nest, Detail: onRecord(b.Detail), Other: onRecord(b.Other)}
	if Code(b.Code) == StopSame {
		a.Other = m.files.binName(b.Other)
	}
	return a
}

// mends tells whether lifting a stop says that something in the nest was
// mended, so that a check unit has to pass before production.
func (m *Machine) mends(c Code) bool {
	return m.cfg.Staffed && len(m.cfg.CheckUnits) > 0 && (c == StopFixture || c == StopCheck || c == StopOffset)
}

// liftOverdue ends the stops of certificates that a new station sheet renews.
func (m *Machine) liftOverdue() {
	for _, n := range m.nests {
		if n.step == Stopped && n.stop != nil && n.stop.Code == StopDue && n.stopRef != nil && n.lifting == nil && !m.overdue(m.files, n) {
			n.lifting = &LiftStop{By: m.files.Sheet.Author, Method: methodFile}
			m.ask(n, Append{Body: &record.StopLifted{Stop: *n.stopRef, Nest: n.sheet.Name, Code: string(n.stop.Code), By: m.files.Sheet.Author,
				Method: methodFile, Why: newSheet}})
		}
	}
}

// lift ends the nest's stop when someone who may has said so.
func (m *Machine) lift(n *nest, l LiftStop) {
	if n.step != Stopped || n.stopRef == nil || n.lifting != nil {
		m.announce(n.index, NoticeIgnored, Args{Nest: n.sheet.Name, Detail: n.step})
		return
	}
	n.lifting = &l
	m.ask(n, Append{Body: &record.StopLifted{Stop: *n.stopRef, Nest: n.sheet.Name, Code: string(n.stop.Code), By: l.By,
		Method: l.Method, Why: ""}})
}

// storeTrouble: a record could not be made durable, so nothing that depends
// on it is done or shown. The station takes no more units.
func (m *Machine) storeTrouble(n *nest, f Failure) {
	m.rest(n)
	about := Args{Nest: n.sheet.Name, Label: n.label, Detail: Verbatim(f.Why)}
	if about.Label == "" {
		about.Label = n.sheet.Name
	}
	if m.stop == nil || m.stop.Code == StopClock {
		m.stop = &Stop{Nest: NoNest, Code: StopStore, Args: about, Since: m.now}
		m.open = openLabel{}
	}
	n.stop = &Stop{Nest: n.index, Code: StopStore, Args: about, Since: m.now}
	n.verdict, n.lifts, n.lifting = nil, nil, nil
	if n.step == Stopped {
		m.enterStopped(n)
		return
	}
	m.halt(n, func() { m.enterStopped(n) })
}

// leaveStopped waits for the record that is being made, if any.
func (m *Machine) leaveStopped(n *nest) {
	if n.awaits == 0 {
		m.end(n)
	}
}
