package station

import (
	"slices"

	"example.org/panecal/store/record"
)

// Box is the box that good units go into.
type Box struct {
	Number string // as scanned, "" while none is open
	Good   int    // units in it
	Size   int    // units it takes; 0: boxes have no numbers here
}

// Wanted reports whether the next box has to be opened before another unit is.
func (b Box) Wanted() bool { return b.Size > 0 && (b.Number == "" || b.Good >= b.Size) }

// Unboxed is a released unit that lies in no box yet: the box was full when its
// verdict came.
type Unboxed struct {
	Serial, UnitID string
	Attempt        record.Ref
}

// boxes are the box that is open, and who waits for the next.
type boxes struct {
	open    string
	unboxed []Unboxed
}

// box is the open one. Only production fills boxes.
func (m *Machine) box() Box {
	if m.cfg.BoxSize <= 0 || !counted(m.cfg.Purpose) {
		return Box{}
	}
	return Box{Number: m.boxes.open, Good: m.inBox[m.boxes.open], Size: m.cfg.BoxSize}
}

// boxFor is the box of a unit whose result is about to go on record, "" where it
// has to wait for one, or goes into none.
func (m *Machine) boxFor(n *nest) string {
	b := m.box()
	if b.Number == "" || !n.boxed() {
		return ""
	}
	for _, other := range m.nests {
		if other != n && other.att.box == b.Number && other.att.record.IsZero() {
			b.Good++
		}
	}
	if b.Wanted() {
		return ""
	}
	return b.Number
}

// boxed reports whether the nest's unit goes into a box.
func (n *nest) boxed() bool {
	r := &n.att.result
	return counted(n.purpose) && r.Passed && r.Disposition == string(Release)
}

// awaitBox keeps account of a released unit without a box.
func (m *Machine) awaitBox(n *nest) {
	if m.box().Size > 0 && n.boxed() && n.att.box == "" {
		m.boxes.unboxed = append(m.boxes.unboxed, Unboxed{n.serial, n.unit.UnitID, n.att.record})
	}
}

// openBox takes a box into use, and the units into it that waited.
func (m *Machine) openBox(f OpenBox) {
	m.boxes.open = f.Number
	for _, serial := range f.Takes {
		m.boxedIn(serial, f.Number)
	}
}

// boxedIn takes in that a unit lies in a box.
func (m *Machine) boxedIn(serial, box string) {
	m.noteBox(serial, box)
	m.boxes.unboxed = slices.DeleteFunc(m.boxes.unboxed, func(u Unboxed) bool { return u.Serial == serial })
}

// heldInBox says where a unit lies that went on hold after it was boxed.
func (m *Machine) heldInBox(serial string, d Disposition) {
	if box := m.units[serial].box; d == Hold && box != "" {
		m.announce(NoNest, NoticeHeldInBox, Args{Label: serial, Other: Verbatim(box)})
	}
}
