package station

import (
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/product"
)

// moves reports whether a fixture moves the nest's target.
func (m *Machine) moves(n *nest) bool { return m.cfg.Fixture && n.sheet.Moves() }

func driverRecord(s product.Nest) string {
	if !s.Moves() {
		return ""
	}
	return s.Driver
}

// move asks for a motion, which belongs to the attempt in hand and to no other
// moment.
func (m *Machine) move(n *nest, s Step, to Position) {
	n.att.goal = goal{s, to}
	m.enter(n, s)
	m.ask(n, Move{Nest: n.sheet, To: to})
}

// restart lets the unit begin anew, by its power where the product asks for that and
// the nest's fixture can.
func (m *Machine) restart(n *nest) Restart {
	if !n.files.Product.RestartByPower || !m.cfg.Fixture || !n.sheet.Powers() {
		return Restart{}
	}
	n.att.restart = "asked by its power"
	by := n.sheet
	return Restart{Power: &by}
}

// verifyReference is the distance that the target stands at when constants are
// verified.
func (n *nest) verifyReference() estimate.Reference {
	if !n.att.far {
		return n.reference()
	}
	return estimate.Reference{DistanceMM: n.sheet.FarMM, DistanceUMM: n.sheet.FarUMM, EndStop: n.sheet.EndStop}
}

// goal is the motion in hand.
type goal struct {
	step Step
	to   Position
}

// moveTrouble: with an open lid nothing moves, and closing it moves nothing by
// itself: hands say so. Everything else ends the attempt and stops the nest.
func (m *Machine) moveTrouble(n *nest, f Failure) {
	if f.Trouble != Denied {
		m.fixtureTrouble(n, f)
		return
	}
	m.rest(n)
	m.enter(n, Guarded)
	if m.cfg.HandsTime > 0 {
		m.sleep(n, m.cfg.HandsTime)
	}
}

// lidClosed: hands say that the lid is closed. The fixture is asked again, and
// reads its lid and interlock anew.
func (m *Machine) lidClosed(n *nest) {
	m.rest(n)
	m.move(n, n.att.goal.step, n.att.goal.to)
}

func (m *Machine) lidStaysOpen(n *nest) { m.broken(n, BrokenLid, "") }

// LampOf is what the lamp of a nest says.
func LampOf(n NestView) Lamp {
	switch n.Step {
	case Stopped:
		return LampStop
	case Opening, Vacant, Expected, Ended:
		return LampDark
	case Unlabelled, Confirming, Clearing, Targeting, Guarded, Showing, Turned, Rejecting:
		return LampHands
	}
	return LampRun
}
