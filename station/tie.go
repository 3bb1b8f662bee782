package station

import (
	"fmt"

	"example.org/panecal/protocol"
	"example.org/panecal/station/product"
	"example.org/panecal/store/record"
)

// tie is what the product's rule says about label and unit.
type tie struct {
	how       string
	confirmed bool   // the unit or the list says so
	wrong     bool   // the unit or the list says otherwise
	unlisted  bool   // the list does not know the label
	belongs   string // the serial that the unit belongs to by that rule, where wrong
	why       string
}

// tie holds a label's serial against the unit that answers.
func (f *Files) tie(serial string, unit protocol.Identity) tie {
	l := f.Product.Label
	t := tie{how: l.Tie}
	switch l.Tie {
	case product.TieUnit:
		t.confirmed = unit.Serial == serial
		t.wrong = !t.confirmed
		t.belongs = unit.Serial
		t.why = fmt.Sprintf("the unit holds serial %q", unit.Serial)
	case product.TieList:
		id, listed := l.Pairs[serial]
		t.unlisted = !listed
		t.confirmed = listed && id == unit.UnitID
		t.wrong = listed && !t.confirmed
		for s, other := range l.Pairs {
			if other == unit.UnitID {
				t.belongs = s
			}
		}
		t.why = fmt.Sprintf("the list gives unit %q", id)
	}
	if !t.wrong {
		t.belongs, t.why = "", ""
	}
	return t
}

// warnOfTie says what cannot be found where labels are tied here.
func (m *Machine) warnOfTie() {
	if m.files.Product.Label.Tie == product.TieFirst {
		m.announce(NoNest, NoticeUnconfirmed, Args{})
	}
}

// contradiction puts this unit and every other that the contradiction names
// on hold.
func (m *Machine) contradiction(n *nest, h history, tie tie) {
	n.att.code, n.att.detail = FailedLabel, nil
	if tie.why != "" {
		n.att.detail = Verbatim(tie.why)
	}
	var others Arg
	serials := map[string]bool{n.serial: true}
	for _, e := range h.conflicts {
		a := e.Body.(*record.Attempt)
		serials[a.Run.Serial] = true
		others = both(others, m.seen(e))
		ref := e.Ref
		n.queue = append(n.queue, &record.DispositionChange{Attempt: &ref, Serial: a.Run.Serial, UnitID: a.Run.UnitID,
			From: a.Judgement.Disposition, To: Hold, Code: string(FailedLabel), Why: "label and unit contradict each other", By: byStation})
	}
	if s := tie.belongs; s != "" && !serials[s] {
		where := Because{Reason: ReasonLabel, A: Verbatim(s)}
		if at := m.lies(s); at != nil {
			where = Because{Reason: ReasonLies, A: Verbatim(s), B: at}
		}
		others = both(others, where)
		n.queue = append(n.queue, &record.DispositionChange{Serial: s, UnitID: n.unit.UnitID, To: Hold,
			Code: string(FailedLabel), Why: "its unit carries another label", By: byStation})
	}
	if others == nil {
		others = Because{Reason: ReasonUnknown}
	}
	n.att.other = others
	m.finish(n)
}

func (m *Machine) seen(e record.Entry) Arg {
	a := e.Body.(*record.Attempt)
	return Seen{a.Run.Label, a.Run.UnitID, e.Time.UTC(), a.Run.Nest, a.Judgement.HardBin, m.lies(a.Run.Serial)}
}

// lies is where a unit lies now, nil where nobody knows: in another nest, or in a
// box.
func (m *Machine) lies(serial string) Arg {
	for _, n := range m.nests {
		if n.serial == serial && n.verdict != nil && n.step == Showing {
			return NestName(n.sheet.Name)
		}
	}
	if box := m.units[serial].box; box != "" {
		return InBox(box)
	}
	return nil
}
