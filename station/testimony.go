package station

import (
	"fmt"
	"slices"

	"example.org/panecal/protocol"
	"example.org/panecal/store/record"
)

// Testimony is what the block in a unit says of the log: the block names the
// record that ordered it, with the beginning of its hash. A block with constants
// names a write intent, a void form the intent of the attempt that it was made for.
type Testimony string

// The testimonies. Different and Missing accuse the log, or who wrote the block.
const (
	Equal           Testimony = "equal"            // the log has that very record
	Different       Testimony = "different"        // the log has another record there: rewritten, or gone on from a copy
	Missing         Testimony = "missing"          // of this log and not in it: put back, rewritten, or not this station's
	OlderGeneration Testimony = "older_generation" // went with the old computer, after the copy was made
	Elsewhere       Testimony = "elsewhere"        // another station's
	None            Testimony = "none"             // no block that names a record
)

// Forked says that a block of this generation names a record at or before the
// place where the generation began here: two logs go on under one name.
func Forked(t Testimony, w protocol.Witness, r Recalled) bool {
	return t.Accuses() && r.Head.Generation > 1 && w.Generation == r.Head.Generation && w.Sequence <= r.Began
}

// WitnessTo is how a unit bears a record.
func WitnessTo(ref record.Ref) protocol.Witness {
	return protocol.Witness{Station: ref.Station, Generation: ref.Generation, Sequence: ref.Sequence, Intent: [16]byte(ref.Hash[:16])}
}

// Accuses says whether the log and the unit contradict each other.
func (t Testimony) Accuses() bool { return t == Different || t == Missing }

// Testify holds the block found in a unit against what the log of a station
// holds about that unit. Where r.Head is zero the log is not known, and only an
// equal record speaks.
func Testify(found []byte, station string, r Recalled) (Testimony, protocol.Witness) {
	b, err := protocol.ParseBlock(found)
	if err != nil || b.Witness == (protocol.Witness{}) {
		return None, protocol.Witness{}
	}
	w := b.Witness
	if w.Station != station {
		return Elsewhere, w
	}
	for _, e := range slices.Concat(r.BySerial, r.ByUnitID) {
		if e.Ref.Generation == w.Generation && e.Ref.Sequence == w.Sequence {
			if [16]byte(e.Ref.Hash[:16]) == w.Intent {
				return Equal, w
			}
			return Different, w
		}
	}
	switch {
	case r.Head == (record.Ref{}):
		return None, w
	case w.Generation < r.Head.Generation && w.Sequence > r.Began:
		return OlderGeneration, w
	case w.Generation > r.Head.Generation || w.Sequence > r.Head.Sequence:
		return Missing, w
	}
	return Different, w // some other record stands there
}

// testimony asks the unit, and says whether the attempt may go on. Where it
// contradicts the log the unit is held, on record, until a lead has said in a
// signed note how that came.
func (m *Machine) testimony(n *nest, r Recalled) bool {
	t, w := Testify(n.att.found, m.cfg.Station, r)
	if !t.Accuses() || m.stated(r) {
		return true
	}
	code := BrokenWitness
	switch {
	case Forked(t, w, r):
		code = BrokenForked
	case t == Missing:
		code = BrokenUnknown
	}
	about := fmt.Sprintf("%s/%d/%d", w.Station, w.Generation, w.Sequence)
	n.att.code, n.att.detail = code, Verbatim(about)
	n.queue = append(n.queue, &record.DispositionChange{Serial: n.serial, UnitID: n.unit.UnitID, To: Hold, Code: string(code),
		Why: fmt.Sprintf("the unit bears record %s, intent %x, and the log does not: it was put back or rewritten, two logs go on under one name, or not this station wrote the block", about, w.Intent), By: byStation})
	m.finish(n)
	return false
}

// Statement begins the text of a signed note with which a lead says how a
// contradiction came about.
const Statement = "statement:"

// stated says whether the newest contradiction of the unit was followed by a
// statement.
func (m *Machine) stated(r Recalled) bool {
	stated := false
	for _, e := range r.BySerial {
		switch b := e.Body.(type) {
		case *record.DispositionChange:
			switch Code(b.Code) {
			case BrokenWitness, BrokenUnknown, BrokenForked:
				stated = false
			}
		case *record.Note:
			if IsStatement(b) && slices.Contains(m.cfg.Leads, b.By) {
				stated = true
			}
		}
	}
	return stated
}

// IsStatement says whether a note is a signed statement.
func IsStatement(b *record.Note) bool {
	return len(b.Signed) > 0 && len(b.Text) > len(Statement) && b.Text[:len(Statement)] == Statement
}
