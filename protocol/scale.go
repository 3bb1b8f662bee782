package protocol

import (
	"fmt"
	"math"
)

// SetLeakage stores leakage: perZone in {count}/{shot} over all bins, and
// perBin[zone][bin−firstBin] likewise (nil for none). It chooses the finest
// scales that hold every value, so a stored total is within 2^−31 of the
// largest total, a stored bin within 2^−15 of the largest bin.
func (b *Block) SetLeakage(perZone []float64, firstBin int, perBin [][]float64) error {
	scale, leakage, err := scaled(perZone, math.MaxInt32)
	if err != nil {
		return fmt.Errorf("storing leakage: %w", err)
	}
	b.LeakageScale, b.Leakage = scale, nil
	for _, n := range leakage {
		b.Leakage = append(b.Leakage, int32(n))
	}
	b.FirstBin, b.Bins, b.BinScale, b.LeakageBins = 0, 0, 0, nil
	if len(perBin) == 0 {
		return nil
	}
	var flat []float64
	for z, bins := range perBin {
		if len(bins) != len(perBin[0]) {
			return fmt.Errorf("storing leakage: %d bins in zone %d, not %d", len(bins), z, len(perBin[0]))
		}
		flat = append(flat, bins...)
	}
	scale, bins, err := scaled(flat, math.MaxInt16)
	if err != nil {
		return fmt.Errorf("storing leakage: %w", err)
	}
	b.FirstBin, b.Bins, b.BinScale = firstBin, len(perBin[0]), scale
	for _, n := range bins {
		b.LeakageBins = append(b.LeakageBins, int16(n))
	}
	return nil
}

// offsetScale: 2^−16 mm, far below any offset's uncertainty, reaching ±32 m.
const offsetScale = 16

// SetOffsets stores offsets in millimetres, one for all zones or one per
// zone, in steps of 2^−16 mm.
func (b *Block) SetOffsets(mm []float64) error {
	b.OffsetScale, b.Offsets = offsetScale, nil
	for z, v := range mm {
		n := math.RoundToEven(math.Ldexp(v, offsetScale))
		if !(math.Abs(n) <= math.MaxInt32) {
			return fmt.Errorf("storing offset %d: %g mm is out of range", z, v)
		}
		b.Offsets = append(b.Offsets, int32(n))
	}
	return nil
}

// LeakageRate returns the stored leakage of a zone, {count}/{shot}.
func (b *Block) LeakageRate(zone int) float64 {
	return math.Ldexp(float64(b.Leakage[zone]), -int(b.LeakageScale))
}

// LeakageBin returns the stored leakage of a zone in a bin, counted from
// the capture's first bin, {count}/{shot}; 0 outside the stored range.
func (b *Block) LeakageBin(zone, bin int) float64 {
	if bin < b.FirstBin || bin >= b.FirstBin+b.Bins {
		return 0
	}
	return math.Ldexp(float64(b.LeakageBins[zone*b.Bins+bin-b.FirstBin]), -int(b.BinScale))
}

// OffsetMillimetres returns the stored offset of a zone.
func (b *Block) OffsetMillimetres(zone int) float64 {
	if len(b.Offsets) == 1 {
		zone = 0
	}
	return math.Ldexp(float64(b.Offsets[zone]), -int(b.OffsetScale))
}

// scaled rounds values to integers within ±limit, all with the same and
// largest possible power of two.
func scaled(values []float64, limit float64) (scale uint8, out []int64, err error) {
	var most float64
	for i, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return 0, nil, fmt.Errorf("value %d is %g", i, v)
		}
		most = max(most, math.Abs(v))
	}
	if most > limit {
		return 0, nil, fmt.Errorf("%g is out of range", most)
	}
	for scale < maxScale && math.RoundToEven(math.Ldexp(most, int(scale)+1)) <= limit && most > 0 {
		scale++
	}
	for _, v := range values {
		out = append(out, int64(math.RoundToEven(math.Ldexp(v, int(scale)))))
	}
	return scale, out, nil
}
