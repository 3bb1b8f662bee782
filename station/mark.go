package station

import (
	"bytes"
	"strconv"

	"example.org/panecal/limits"
	"example.org/panecal/protocol"
	"example.org/panecal/store/record"
)

// mark puts the released mark into the unit.
func (m *Machine) mark(n *nest) {
	raw, err := releasedForm(n.att.written)
	if err != nil {
		m.notMarked(n, Failure{Broke, err.Error()})
		return
	}
	m.enter(n, Releasing)
	m.ask(n, Mark{Block: raw})
}

// releasedForm is a block with nothing changed but its state.
func releasedForm(written []byte) ([]byte, error) {
	b, err := protocol.ParseBlock(written)
	if err != nil {
		return nil, err
	}
	b.State = protocol.Released
	return b.Marshal()
}

func (m *Machine) marked(n *nest, f Fact) {
	want, err := releasedForm(n.att.written)
	if got := f.(BlockRead).Raw; err != nil || !bytes.Equal(got, want) {
		m.notMarked(n, Failure{Broke, "the block read back does not bear the released mark"})
		return
	}
	n.verdict.Marked = true
	if n.verdict.Again { // the mark was all that was missing
		ref := n.att.record
		n.queue = append(n.queue, &record.DispositionChange{Attempt: &ref, Serial: n.serial, UnitID: n.unit.UnitID,
			From: Hold, To: Release, Code: string(NoticeResolved), Why: "released mark confirmed", By: byStation})
		m.announce(n.index, NoticeResolved, Args{Nest: n.sheet.Name, Label: n.label})
		m.change(n, func() { m.show(n) })
		return
	}
	m.show(n)
}

// notMarked: the unit stays on hold until the mark is confirmed, which its
// next contact does. That too is put on record before it is shown.
func (m *Machine) notMarked(n *nest, f Failure) {
	m.rest(n)
	hold, _ := n.files.Limits.Bin(limits.Capture)
	v := n.verdict
	v.Disposition, v.HardBin, v.Code, v.Detail = Hold, hold.Hard.Number, BrokenMark, f.Why
	v.Args = Args{Nest: n.sheet.Name, Label: n.label, Bin: strconv.Itoa(hold.Hard.Number), Detail: Verbatim(f.Why)}
	v.Instruction, v.Instructions = BrokenMark.Do(v.Args), limits.Text{}
	m.counters.Held++
	ref := n.att.record
	n.queue = append(n.queue, &record.DispositionChange{Attempt: &ref, Serial: n.serial, UnitID: n.unit.UnitID,
		From: Release, To: Hold, Code: string(BrokenMark), Why: f.Why, By: byStation})
	m.change(n, func() { m.show(n) })
}

// resolve gives a unit that passed the mark that it lacks.
func (m *Machine) resolve(n *nest, h history) {
	n.att.written = h.lastAttempt().Constants.Written
	m.recallVerdict(n, *h.last, Release)
	m.mark(n)
}
