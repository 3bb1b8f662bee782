package station

import (
	"strconv"

	"example.org/panecal/limits"
	"example.org/panecal/store/record"
)

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

func (m *Machine) refused(n *nest, _ Fact) {
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
