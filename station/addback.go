package station

import (
	"math"

	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
)

// A unit that cannot range without its stored constants has none in force
// while it is adjusted: they are void. Where nothing is written, what it took
// off is added back, which a unit that ranges by the signal-weighted mean
// allows. The record keeps the block that was in force.

// mustCompensate reports whether the unit only ranges with its constants on.
func (n *nest) mustCompensate() bool {
	return !n.unit.CompensationOff && (n.files.summary() || n.files.unitRanges())
}

// inForce is the block whose effect must be added back; nil for none.
func (n *nest) inForce() *protocol.Block {
	if !n.mustCompensate() {
		return nil
	}
	return n.adjusted()
}

// leakageUMM is how far the leakage may lie from the unit's own zero where
// the block does not say: a few millimetres, common practice. Bins that add up
// move it against the offset, which is measured where the target lies.
const leakageUMM = 2

const mmPerPS = 299.792458e-3 / 2

// AddBack undoes what a unit took off its ranges: leakage by moments, offset
// by the offset.
func AddBack(s *estimate.Summary, b *protocol.Block, setup estimate.Setup) {
	for z := range s.Zones {
		q := &s.Zones[z]
		leak, off := b.LeakageRate(z), b.OffsetMillimetres(z)
		at, atU := off, math.Hypot(leakageUMM, mmPerPS*setup.Budget.BinEdgePS)
		if d, ok := centroid(b, z, setup); ok {
			at, atU = d, 0
		}
		raw := q.Signal + leak
		switch {
		case math.IsNaN(q.RangeMM): // nothing was left: what was taken off is all there is
			q.RangeMM, q.RangeUMM = at, math.Hypot(atU, leakageUMM)
		default:
			q.RangeMM = ((q.RangeMM+off)*q.Signal + at*leak) / raw
			q.RangeUMM = math.Hypot(q.RangeUMM*q.Signal, atU*leak) / math.Abs(raw)
		}
		q.Signal = raw
	}
}

// centroid is the distance of the leakage that the block stores bin by bin.
func centroid(b *protocol.Block, z int, s estimate.Setup) (float64, bool) {
	sum, moment := 0.0, 0.0
	for bin := b.FirstBin; bin < b.FirstBin+b.Bins; bin++ {
		r := b.LeakageBin(z, bin)
		sum += r
		moment += r * (s.FirstBinPS + (float64(bin)+0.5)*s.BinPS)
	}
	if !(sum > 0) {
		return 0, false
	}
	return mmPerPS * moment / sum, true
}
