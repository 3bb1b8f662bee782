package whatif

import (
	"encoding/binary"
	"math"
)

// cutter takes bytes apart; it remembers that there were too few.
type cutter struct {
	b   []byte
	bad bool
}

func (c *cutter) take(n int) []byte {
	if n < 0 || n > len(c.b) {
		c.bad, c.b = true, nil
		return nil
	}
	b := c.b[:n]
	c.b = c.b[n:]
	return b
}

func (c *cutter) uint32() int {
	if b := c.take(4); b != nil {
		return int(binary.LittleEndian.Uint32(b))
	}
	return 0
}

func (c *cutter) int64() int64 {
	if b := c.take(8); b != nil {
		return int64(binary.LittleEndian.Uint64(b))
	}
	return 0
}

func (c *cutter) float() float64 { return math.Float64frombits(uint64(c.int64())) }

func (c *cutter) varint() int64 {
	v, n := binary.Varint(c.b)
	c.take(max(n, 0))
	c.bad = c.bad || n <= 0
	return v
}

func (c *cutter) uvarint() uint64 {
	v, n := binary.Uvarint(c.b)
	c.take(max(n, 0))
	c.bad = c.bad || n <= 0
	return v
}

func (c *cutter) text() string { return string(c.take(int(min(c.uvarint(), math.MaxInt32)))) }
