package station

import (
	"encoding/hex"
	"math"

	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
)

// Block puts constants into the form that a unit keeps, but for the witness.
func (f *Files) Block(serial string, rows, cols int, c estimate.Constants) (*protocol.Block, error) {
	b := &protocol.Block{Serial: serial, Rows: rows, Cols: cols, State: protocol.Written,
		ProductRev: revision16(f.Product.Revision), LimitsRev: revision16(f.Limits.Revision)}
	if err := b.SetLeakage(c.LeakageRate, c.FirstBin, c.LeakageBins); err != nil {
		return nil, err
	}
	offsets := c.OffsetMM
	if f.Product.Setup.Offsets == estimate.OffsetsOne && len(offsets) > 0 {
		offsets = offsets[:1]
	}
	if err := b.SetOffsets(offsets); err != nil {
		return nil, err
	}
	b.TempMilliCel = int32(math.Round(c.TempRefCel * 1000))
	return b, nil
}

// ConstantsOf gives the physical form of a block read from a unit.
func ConstantsOf(b *protocol.Block) estimate.Constants {
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
