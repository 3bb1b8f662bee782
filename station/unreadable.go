package station

import (
	"fmt"
	"strconv"
	"strings"

	"example.org/panecal/protocol"
	"example.org/panecal/station/product"
	"example.org/panecal/store/record"
)

// unreadLabel stands for the label of a unit that nobody can read: the next unit
// that is seated is asked who it is.
const unreadLabel = "CMD UNREADABLE"

// strays are units that nobody can name: each is called X-STATION-N.
type strays struct{ last int } // N of the newest

func (m *Machine) strayName(n int) string { return fmt.Sprintf("X-%s-%d", m.cfg.Station, n) }

// noteStray keeps account of the names given out.
func (m *Machine) noteStray(serial string) {
	text, ok := strings.CutPrefix(serial, strings.TrimSuffix(m.strayName(0), "0"))
	if n, err := strconv.Atoi(text); ok && err == nil {
		m.strays.last = max(m.strays.last, n)
	}
}

// unreadable is the operator's word that a label cannot be read. A unit that lies
// in a nest without a label is meant; else the next one that is seated.
func (m *Machine) unreadable() {
	if m.closing || m.stop != nil {
		m.announce(NoNest, RefusedStopped, Args{})
		return
	}
	for _, n := range m.nests {
		if n.step == Unlabelled {
			m.open = openLabel{}
			m.rest(n)
			m.name(n, n.unit)
			return
		}
	}
	m.openScan(unreadLabel, unreadLabel)
}

// name finds what a unit is called whose label cannot be read: its serial, where the
// product ties label and unit by the unit or by a list; else it goes on hold under a
// name of its own.
func (m *Machine) name(n *nest, id protocol.Identity) {
	o := openLabel{at: m.now, files: m.files}
	if o.serial = m.files.serialOf(id); o.serial != "" {
		o.text = o.serial
		m.give(n, o)
		m.announce(n.index, NoticeNamed, Args{Nest: n.sheet.Name, Label: o.serial})
		m.greet(n, id)
		return
	}
	n.unit, n.stray = id, true
	m.nextStray(n)
}

// nextStray takes the next name and asks the log whether it is free.
func (m *Machine) nextStray(n *nest) {
	m.strays.last++
	name := m.strayName(m.strays.last)
	m.give(n, openLabel{text: name, serial: name, at: m.now, files: m.files})
	m.begin(n)
	m.enter(n, Recalling)
	m.ask(n, Recall{Serial: name, UnitID: n.unit.UnitID})
}

// strayRecalled: a unit that ran here under one label is called so again, where
// labels are tied to units by what is on record. Else a name that is free goes on
// record, and the unit on hold.
func (m *Machine) strayRecalled(n *nest, r Recalled) {
	if serial := ranAs(r.ByUnitID, n.unit.UnitID); serial != "" && m.files.Product.Label.Tie == product.TieFirst {
		n.stray = false
		m.give(n, openLabel{text: serial, serial: serial, at: m.now, files: m.files})
		m.announce(n.index, NoticeNamed, Args{Nest: n.sheet.Name, Label: serial})
		m.greet(n, n.unit)
		return
	}
	if len(r.BySerial) > 0 {
		m.nextStray(n)
		return
	}
	m.refuse(n, RefusedUnreadable, Args{})
}

// serialOf is what the product's tie says of a unit that answers, "" where only its
// label would.
func (f *Files) serialOf(id protocol.Identity) string {
	serial := ""
	switch f.Product.Label.Tie {
	case product.TieUnit:
		serial = id.Serial
	case product.TieList:
		for s, unit := range f.Product.Label.Pairs {
			if unit == id.UnitID {
				serial = s
			}
		}
	}
	if _, err := f.ReadLabel(serial); err != nil {
		return ""
	}
	return serial
}

// ranAs is the one serial under which a unit has attempts on record, after new
// labels; "" where it has none or several.
func ranAs(entries []record.Entry, unitID string) string {
	name := ""
	for _, e := range entries {
		switch b := e.Body.(type) {
		case *record.Attempt:
			if b.Run.UnitID != unitID || b.Run.Serial == "" {
				continue
			}
			if name != "" && name != b.Run.Serial {
				return ""
			}
			name = b.Run.Serial
		case *record.Relabelled:
			if b.Serial == name {
				name = b.To
			}
		}
	}
	return name
}

// replaced is the newest label that took the place of a serial, "" where none has.
func replaced(entries []record.Entry, serial string) string {
	to := ""
	for _, e := range entries {
		if r, ok := e.Body.(*record.Relabelled); ok && r.Serial == serial {
			to = r.To
		}
	}
	return to
}

// earlier are the serials that a unit had before this one.
func earlier(entries []record.Entry, serial string) map[string]bool {
	names := map[string]bool{}
	for i := len(entries) - 1; i >= 0; i-- {
		if r, ok := entries[i].Body.(*record.Relabelled); ok && (r.To == serial || names[r.To]) {
			names[r.Serial] = true
		}
	}
	return names
}
