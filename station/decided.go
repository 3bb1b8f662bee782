package station

import (
	"strconv"

	"example.org/panecal/limits"
	"example.org/panecal/store/record"
)

// disposed takes in what was decided about units, which is on record: one that
// runs meanwhile is not shown as released, and one that is shown so no more.
func (m *Machine) disposed(f Disposed) {
	for _, c := range f.Changes {
		m.holds.stands(c.To, changedBy(c, m.now))
		m.noteMade(Production, "", "", c.Serial, c.To)
		m.figures.stands(c.Serial, c.To, m.now)
		m.heldInBox(c.Serial, c.To)
		for _, n := range m.nests {
			if n.serial != c.Serial {
				continue
			}
			n.att.decided = nil
			if c.To == Hold || c.To == Scrap {
				n.att.decided = c
			}
			if n.step == Showing && n.verdict.Released() {
				m.holdDecided(n)
				m.keepRecent(*n.verdict)
				m.emit(n.index, 0, Show{Verdict: *n.verdict})
			}
		}
	}
}

// holdDecided turns a verdict that would release a unit which was put on hold
// while it ran. The decision is on record, and no verdict moves the unit from it.
func (m *Machine) holdDecided(n *nest) {
	c, v := n.att.decided, n.verdict
	if c == nil || n.purpose != Production || !v.Released() {
		return
	}
	hold, _ := n.files.Limits.Bin(limits.Capture)
	v.Disposition, v.HardBin, v.Code, v.Detail = c.To, hold.Hard.Number, BrokenDecided, c.Why
	v.Args = Args{Nest: n.sheet.Name, Label: n.label, Bin: strconv.Itoa(hold.Hard.Number), Detail: Verbatim(c.Why)}
	v.Box = n.files.Limits.Box(hold.Hard.Number)
	v.Instruction, v.Instructions = BrokenDecided.Do(v.Args), limits.Text{}
	m.counters.Held++
}

// barred says why a unit may not run: it was decided to keep it.
func (m *Machine) barred(n *nest, h history) bool {
	c := h.decided
	if c == nil {
		return false
	}
	code := RefusedHeld
	if c.To == record.Scrap {
		code = RefusedScrapped
	}
	m.refuse(n, code, Args{Detail: Verbatim(c.Why)})
	return true
}
