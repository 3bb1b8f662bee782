package station

import (
	"bytes"
	"fmt"
	"strings"

	"example.org/panecal/protocol"
	"example.org/panecal/store/record"
)

// intendWrite makes durable what is about to be written.
func (m *Machine) intendWrite(n *nest) {
	block, err := n.files.Block(n.serial, n.unit.Rows, n.unit.Cols, n.att.constants)
	if err != nil {
		m.broken(n, BrokenEstimate, err.Error())
		return
	}
	body, err := block.Body()
	if err != nil {
		m.broken(n, BrokenEstimate, err.Error())
		return
	}
	n.att.block = block
	m.enter(n, WriteIntending)
	m.ask(n, Append{Body: &record.WriteIntent{
		Attempt: *n.att.intent, Serial: n.serial, UnitID: n.unit.UnitID, Body: body, BodyHash: record.HashOf(body)}})
}

// writeIntended: the intent is durable, and the block can bear its witness.
func (m *Machine) writeIntended(n *nest, f Fact) {
	ref := f.(Stored).Ref
	n.att.writeIntent = &ref
	if m.closing {
		m.broken(n, BrokenShutdown, m.closeWhy)
		return
	}
	if n.att.paused != "" {
		m.breakPaused(n, n.att.paused)
		return
	}
	n.att.block.Witness = WitnessTo(ref)
	raw, err := n.att.block.Marshal()
	if err != nil {
		m.broken(n, BrokenEstimate, err.Error())
		return
	}
	n.att.written = raw
	m.enter(n, Writing)
	m.ask(n, Write{Block: raw})
}

// wrote: the constants are committed. A unit that held them in its working
// memory only would answer well and know nothing tomorrow, so it is restarted
// before they are read back, as often as the product says.
func (m *Machine) wrote(n *nest, _ Fact) {
	every := n.files.Product.RestartEvery
	m.written++
	switch {
	case every == 0:
		n.att.restart = "never"
	case (m.written-1)%every != 0:
		n.att.restart = "not this unit"
	default:
		n.att.restart = "asked"
		m.enter(n, Restarting)
		m.ask(n, m.restart(n))
		return
	}
	m.readWritten(n)
}

// restarted: what answers must be the same unit, in a session of its own.
func (m *Machine) restarted(n *nest, f Fact) {
	id := f.(Identified).Identity
	if id.UnitID != n.unit.UnitID {
		m.broken(n, BrokenReset, "another unit answers after the restart")
		return
	}
	n.unit.Session = id.Session
	n.att.restart = "restarted" + strings.TrimPrefix(n.att.restart, "asked")
	m.readWritten(n)
}

func (m *Machine) readWritten(n *nest) {
	m.enter(n, ReadingBack)
	m.ask(n, ReadBlock{})
}

// writeTrouble: unless the unit refused outright, or says itself what is
// wrong, nobody knows what it holds.
func (m *Machine) writeTrouble(n *nest, f Failure) {
	if f.Trouble == Unsound {
		m.broken(n, BrokenUnsound, f.Why)
		return
	}
	if f.Trouble == Denied && n.step == Writing {
		n.problem(m.now, FailedWrite, f.Why)
		n.att.code, n.att.detail = FailedWrite, Verbatim(f.Why)
		m.finish(n)
		return
	}
	m.broken(n, BrokenContents, f.Why)
}

// readBack compares what the unit holds with what was written, byte for byte.
func (m *Machine) readBack(n *nest, f Fact) {
	n.att.readBack = f.(BlockRead).Raw
	if !bytes.Equal(n.att.readBack, n.att.written) {
		n.problem(m.now, FailedReadBack, fmt.Sprintf("%d bytes written, %d read, first difference at %d",
			len(n.att.written), len(n.att.readBack), firstDifference(n.att.written, n.att.readBack)))
		n.att.code = FailedReadBack
		m.finish(n)
		return
	}
	n.att.state = protocol.Written.String()
	m.beginVerify(n)
}

func firstDifference(a, b []byte) int {
	i := 0
	for i < len(a) && i < len(b) && a[i] == b[i] {
		i++
	}
	return i
}
