package station

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"math"

	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
	"example.org/panecal/store/record"
)

// intendWrite makes durable what is about to be written.
func (m *Machine) intendWrite(n *nest) {
	block, err := n.newBlock()
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

// newBlock puts the constants into the form the unit keeps.
func (n *nest) newBlock() (*protocol.Block, error) {
	c := n.att.constants
	b := &protocol.Block{Serial: n.serial, Rows: n.unit.Rows, Cols: n.unit.Cols, State: protocol.Written,
		ProductRev: revision16(n.files.Product.Revision), LimitsRev: revision16(n.files.Limits.Revision)}
	if err := b.SetLeakage(c.LeakageRate, c.FirstBin, c.LeakageBins); err != nil {
		return nil, err
	}
	offsets := c.OffsetMM
	if n.files.Product.Setup.Offsets == estimate.OffsetsOne && len(offsets) > 0 {
		offsets = offsets[:1]
	}
	if err := b.SetOffsets(offsets); err != nil {
		return nil, err
	}
	b.TempMilliCel = int32(math.Round(c.TempRefCel * 1000))
	return b, nil
}

// constantsOf gives the physical form of a block read from a unit.
func constantsOf(b *protocol.Block) estimate.Constants {
	zones := b.Rows * b.Cols
	c := estimate.Constants{LeakageRate: make([]float64, zones), OffsetMM: make([]float64, zones), FirstBin: b.FirstBin,
		TempRefCel: float64(b.TempMilliCel) / 1000}
	for z := range zones {
		c.LeakageRate[z], c.OffsetMM[z] = b.LeakageRate(z), b.OffsetMillimetres(z)
	}
	if b.Bins > 0 {
		c.LeakageBins = make([][]float64, zones)
		for z := range zones {
			c.LeakageBins[z] = make([]float64, b.Bins)
			for i := range c.LeakageBins[z] {
				c.LeakageBins[z][i] = b.LeakageBin(z, b.FirstBin+i)
			}
		}
	}
	return c
}

// revision16 is the beginning of a revision's hash.
func revision16(rev string) (out [16]byte) {
	raw, err := hex.DecodeString(rev)
	if err == nil {
		copy(out[:], raw)
	}
	return out
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
	n.att.block.Witness = protocol.Witness{Station: ref.Station, Generation: ref.Generation, Sequence: ref.Sequence,
		Intent: [16]byte(ref.Hash[:16])}
	raw, err := n.att.block.Marshal()
	if err != nil {
		m.broken(n, BrokenEstimate, err.Error())
		return
	}
	n.att.written = raw
	m.enter(n, Writing)
	m.ask(n, Write{Block: raw})
}

func (m *Machine) wrote(n *nest, _ Fact) {
	m.enter(n, ReadingBack)
	m.ask(n, ReadBlock{})
}

// writeTrouble: unless the unit refused outright, nobody knows what it holds.
func (m *Machine) writeTrouble(n *nest, f Failure) {
	if f.Trouble == Denied {
		n.problem(m.now, FailedWrite, f.Why)
		n.att.code, n.att.detail = FailedWrite, f.Why
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

func (m *Machine) beginVerify(n *nest) { m.captureNow(n, VerifyCapture) }

// adjusted returns the block in force in the unit, nil for none.
func (n *nest) adjusted() *protocol.Block {
	raw := n.att.readBack
	if raw == nil {
		raw = n.att.found
	}
	b, err := protocol.ParseBlock(raw)
	if err != nil || b.State == protocol.Voided || n.att.state == protocol.Voided.String() {
		return nil
	}
	return b
}

func (m *Machine) verifyCaptured(n *nest, f Fact) {
	c, ok := m.kept(n, f)
	if !ok {
		return
	}
	block := n.adjusted()
	if block == nil {
		m.broken(n, BrokenInternal, "verifying a unit that holds no constants")
		return
	}
	job := EstimateVerify{By: n.files.estimator, Constants: constantsOf(block), Reference: n.reference(), Offsets: n.att.offsets}
	job.Histogram, job.Summary = n.inputs(c)
	m.enter(n, VerifyEstimate)
	m.ask(n, job)
}

func (m *Machine) verifyEstimated(n *nest, f Fact) {
	v := f.(VerifyEstimated).Verification
	n.att.verification = v
	n.putQuantities(v.Quantities)
	if len(v.Faults) > 0 {
		m.accuse(n, v.Faults)
		return
	}
	m.finish(n)
}
