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
		LiftBy: string(stop.Code.Meaning().Lift), Attempt: about}})
}

// stopStored: the stop, or its end, is on record.
func (m *Machine) stopStored(n *nest, f Fact) {
	ref := f.(Stored).Ref
	switch {
	case m.closing:
		m.end(n)
	case len(n.lifts) > 0:
		n.lifts = n.lifts[1:]
		if len(n.lifts) > 0 {
			m.liftNext(n)
			return
		}
		m.announce(n.index, NoticeStopLifted, Args{Nest: n.sheet.Name})
		m.enterOpening(n)
	case n.lifting != nil:
		n.stopState = stopState{}
		m.announce(n.index, NoticeStopLifted, Args{Nest: n.sheet.Name})
		m.enterOpening(n)
	default:
		n.stopRef = &ref
	}
}

// liftNext puts the end of a stop from before the start on record.
func (m *Machine) liftNext(n *nest) {
	e := n.lifts[0]
	b := e.Body.(*record.Stop)
	m.enter(n, Stopped)
	m.ask(n, Append{Body: &record.StopLifted{Stop: e.Ref, Nest: b.Nest, Code: b.Code, By: m.crew.Operator,
		Method: "restart", Why: "the station was started anew"}})
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
	if m.stop == nil {
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
