package evenlight

import (
	"errors"
	"fmt"
	"math"

	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
)

// plan is how many shots a unit still needs, and what it has counted so far.
// A trial tells the light; after it come as many captures as it takes for no
// bin's count to reach its ceiling.
type plan struct {
	most  int64 // shots that the longest time allows
	shots int64 // wanted in all; 0: the trial says
	each  int64 // of a capture at most, 0 before the trial
	fired int64
	sum   estimate.Histogram
}

const (
	trial = 200_000 // shots
	// margin over the counts that each bin needs: bins differ.
	margin = 1.15
	frames = 10 // of a capture: they show whether the light changed
)

func (p *plan) done() bool { return p.each > 0 && p.fired >= p.shots }

// next returns shots and frames of the next capture.
func (p *plan) next(maxFrames int) (int64, int) {
	n := int64(min(frames, maxFrames))
	if p.each == 0 {
		return (min(trial, p.most) + n - 1) / n, int(n)
	}
	return min(max((p.each+n-1)/n, 1), protocol.MaxShots), int(n)
}

// add takes a capture in. The first is the trial, and does not count.
func (p *plan) add(c *protocol.Capture, id protocol.Identity) error {
	if p.each == 0 {
		return p.size(c, id)
	}
	top := uint32(0)
	for _, n := range c.Counts {
		top = max(top, n)
	}
	if top >= c.CountMax {
		return fmt.Errorf("a bin is full at %d counts: give less light", c.CountMax)
	}
	if p.sum.Counts == nil {
		p.sum = estimate.Histogram{Counts: make([]uint32, len(c.Counts)), TempCel: float64(c.TempMilliCel) / 1000}
	}
	for i, n := range c.Counts {
		p.sum.Counts[i] += n
	}
	p.sum.Shots += c.Shots
	p.sum.FrameTotals = append(p.sum.FrameTotals, c.FrameTotals...)
	p.fired += c.Shots
	return nil
}

// size says from the trial how many shots are needed.
func (p *plan) size(c *protocol.Capture, id protocol.Identity) error {
	least, top := uint64(math.MaxUint64), uint32(0)
	for b := range id.Bins {
		var n uint64
		for z := range id.Zones() {
			k := c.Counts[z*id.Bins+b]
			n += uint64(k)
			top = max(top, k)
		}
		least = min(least, n)
	}
	switch {
	case top >= c.CountMax:
		return fmt.Errorf("a bin is full at %d counts after %d shots: give less light", c.CountMax, c.Shots)
	case least == 0:
		return fmt.Errorf("a bin has no count in %d shots: give more light", c.Shots)
	}
	// The trial's own noise is in its smallest bin.
	rate := (float64(least) + math.Sqrt(float64(least))) / float64(c.Shots)
	if p.shots == 0 {
		p.shots = int64(estimate.CountsPerBin * margin / rate)
	}
	if p.shots > p.most {
		return fmt.Errorf("%d shots are needed, --longest allows %d: give more light, or more time", p.shots, p.most)
	}
	// Frames have equal shots, so captures have, too.
	p.each = p.shots
	if room := float64(c.CountMax) / 2 * float64(c.Shots) / float64(max(top, 1)); float64(p.each) > room {
		p.each = int64(room)
	}
	if p.each < 1 {
		return errors.New("the bins are full after a few shots: give less light")
	}
	n := (p.shots + p.each - 1) / p.each
	p.each = (p.shots + n - 1) / n
	return nil
}
