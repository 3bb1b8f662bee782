package station

import (
	"errors"
	"slices"
	"strings"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/station/label"
	"example.org/panecal/store/record"
)

// openLabel is the label that was scanned and not yet seated. There is at
// most one.
type openLabel struct {
	text, serial string
	at           time.Time
	files        *Files // in force at the scan
}

// ReadLabel reads what a scan says by the rules of the product. It is the only
// way from scanned bytes to a serial.
func (f *Files) ReadLabel(text string) (label.Label, error) {
	return f.Product.Label.Rules.Parse(trimmed(text))
}

// trimmed is a scan without the blanks around it, which some printers add.
func trimmed(text string) string { return strings.Trim(text, " ") }

// twiceWithin is how long a second scan of the same label counts as a slip of
// the trigger.
const twiceWithin = 2 * time.Second

// scan takes a label, of a unit or of a nest. nest is NoNest, or the nest
// that the label is for.
func (m *Machine) scan(nest int, text string) {
	text = trimmed(text)
	if i, ok := m.nestLabel(text); ok {
		m.scanNest(i)
		return
	}
	read, err := m.files.ReadLabel(text)
	if err != nil {
		m.refuseLabel(text, err)
		return
	}
	serial := read.Serial
	if m.closing || m.stop != nil {
		m.announce(NoNest, RefusedStopped, Args{Label: text})
		return
	}
	if n := m.holder(serial); n != nil {
		m.scanAgain(n, text)
		return
	}
	if m.box().Wanted() && counted(m.purposeOf(serial)) {
		m.announce(NoNest, RefusedBox, Args{Label: text})
		return
	}
	if nest != NoNest {
		if nest < 0 || nest >= len(m.nests) {
			m.announce(NoNest, RefusedNest, Args{Label: text, Detail: Count(nest + 1)})
			return
		}
		m.takeFor(m.nests[nest], openLabel{text: text, serial: serial, files: m.files})
		return
	}
	m.openScan(text, serial)
}

// refuseLabel says why a scan is no label of ours: first whether the keyboard
// is at fault, which the eyes on the label cannot see.
func (m *Machine) refuseLabel(text string, err error) {
	code, a := RefusedLabel, Args{Label: text, Detail: misread(err)}
	if k, known := m.files.Product.Label.Rules.Keyboard(text); known {
		code, a.Detail = RefusedCapsLock, nil
		if k.Layout != "" {
			code, a.Detail = RefusedLayout, k.Layout
		}
	}
	m.announce(NoNest, code, a)
}

// misread is why a scan is no label.
func misread(err error) Arg {
	if r, ok := errors.AsType[*label.Refusal](err); ok {
		return Misread{*r}
	}
	return Verbatim(err.Error())
}

// nestLabel finds the nest whose own label says text.
func (m *Machine) nestLabel(text string) (int, bool) {
	i := slices.IndexFunc(m.nests, func(n *nest) bool { return strings.EqualFold(n.sheet.Name, strings.TrimSpace(text)) })
	return i, i >= 0
}

// holder finds the nest that a serial is in, or is meant for.
func (m *Machine) holder(serial string) *nest {
	for _, n := range m.nests {
		if n.label != "" && n.serial == serial {
			return n
		}
	}
	return nil
}

// openScan opens a label for the next unit that is seated in an empty nest.
func (m *Machine) openScan(text, serial string) {
	if m.open.serial == serial {
		m.announce(NoNest, NoticeTwice, Args{Label: text})
		return
	}
	// A unit that never answered cannot be seen leaving; the next scan says
	// that the hands have gone on.
	for _, n := range m.nests {
		if (n.step == Showing || n.step == Turned) && n.mute {
			m.left(n)
		}
	}
	if !slices.ContainsFunc(m.nests, func(n *nest) bool { return n.step == Vacant }) {
		m.refuseNoNest(text)
		return
	}
	if m.open.text != "" {
		m.announce(NoNest, NoticeLabelNew, Args{Label: text, Other: Verbatim(m.open.text)})
		// The unit of the other label may have been seated since the last
		// probe: only a probe that begins now proves a nest empty.
		for _, n := range m.nests {
			n.empty, n.proof = false, m.lastToken
		}
	}
	m.open = openLabel{text: text, serial: serial, at: m.now, files: m.files}
	for _, n := range m.nests {
		m.probeNow(n)
	}
}

// refuseNoNest says why there is no empty nest.
func (m *Machine) refuseNoNest(text string) {
	for _, n := range m.nests {
		switch n.step {
		case Rejecting:
			m.announce(n.index, RefusedLabelReject, Args{Nest: n.sheet.Name, Label: text, Other: Verbatim(n.label)})
			return
		case Unlabelled:
			m.announce(n.index, RefusedNestBusy, Args{Nest: n.sheet.Name, Label: text})
			return
		}
	}
	m.announce(NoNest, RefusedNoNest, Args{Label: text})
}

// scanAgain is a scan of a label that a nest holds already.
func (m *Machine) scanAgain(n *nest, text string) {
	switch {
	case n.step == Confirming:
		m.confirmed(n)
	case n.step == Rejecting && n.verdict != nil && n.verdict.InBox != "":
		ref := n.att.record
		n.queue = append(n.queue, &record.Boxed{Attempt: &ref, Serial: n.serial, UnitID: n.unit.UnitID, Box: n.verdict.InBox, Confirmed: true, By: m.crew.Operator})
		m.change(n, func() { m.enterVacant(n) })
	case n.step == Rejecting:
		m.enterVacant(n)
	case n.step == Showing && n.verdict != nil && n.verdict.Again:
		o := openLabel{text: n.label, serial: n.serial, files: m.files}
		delete(m.unseen, o.serial)
		m.clear(n)
		m.expect(n, o)
	case n.step == Expected || m.now.Sub(n.labelled) < twiceWithin:
		m.announce(n.index, NoticeTwice, Args{Nest: n.sheet.Name, Label: text})
	default:
		m.announce(n.index, RefusedLabelBusy, Args{Nest: n.sheet.Name, Label: text, Other: NestName(n.sheet.Name)})
	}
}

// scanNest is a scan of a nest's own label: the open label is for that nest,
// whether or not the unit is seated already.
func (m *Machine) scanNest(i int) {
	n := m.nests[i]
	if m.open.text == "" || m.open.text == unreadLabel {
		m.announce(i, NoticeIgnored, Args{Nest: n.sheet.Name, Detail: n.step})
		return
	}
	o := m.open
	m.open = openLabel{}
	m.takeFor(n, o)
}

// takeFor gives a label to a nest that was named.
func (m *Machine) takeFor(n *nest, o openLabel) {
	switch n.step {
	case Vacant, Unlabelled:
		m.expect(n, o)
	case Opening:
		m.give(n, o)
	default:
		m.announce(n.index, RefusedNestBusy, Args{Nest: n.sheet.Name, Label: o.text})
	}
}

// expect gives the label to the nest and waits for its unit.
func (m *Machine) expect(n *nest, o openLabel) {
	m.give(n, o)
	m.enterExpected(n)
}

// give makes the label that of the nest, with the files in force at its scan.
func (m *Machine) give(n *nest, o openLabel) {
	n.label, n.serial, n.next, n.labelled, n.last = o.text, o.serial, o.files, m.now, nil
	n.purpose = m.purposeOf(o.serial)
}

// mayTake reports whether a unit that has just been seated takes the open
// label, whether its nest was empty at the scan or became so since: a nest that
// was not silent yet may have held it before the scan. A unit that has only
// just left this nest with a result has not become another.
func (m *Machine) mayTake(n *nest, id protocol.Identity) bool {
	back := n.gone.unitID != "" && n.gone.unitID == id.UnitID && n.gone.serial != m.open.serial && m.now.Sub(n.gone.at) < twiceWithin
	return n.empty && m.open.text != "" && !back && m.stop == nil && !m.closing
}

// attach gives the open label to the nest in which a unit was just seated.
func (m *Machine) attach(n *nest) {
	m.give(n, m.open)
	m.open = openLabel{}
}

// seatedSays is the operator's word that the unit with the open label is in
// this nest, though nothing answers.
func (m *Machine) seatedSays(n *nest) {
	if m.open.text == "" || m.open.text == unreadLabel {
		m.operator(n, nil)
		return
	}
	o := m.open
	m.open = openLabel{}
	m.expect(n, o)
}
