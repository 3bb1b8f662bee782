package estimate

import (
	"math"
	"math/bits"
)

// ceiling returns the count at which the counters of a capture stop: the one
// that is stated, else one that the counts show, else 0. Counts that pile up at
// their own maximum show it where chance makes that unlikely and the maximum
// is what a counter can hold, or lies flat over bins beside one another that
// rise above the others. Without that, counts worked out rather than counted
// would be taken for clipped.
func (e *Estimator) ceiling(counts []uint32) uint32 {
	if m := e.setup.Checks.CountMax; m > 0 {
		return m
	}
	var top uint32
	n, run, longest := 0, 0, 0
	for i, c := range counts {
		if i%e.bins == 0 {
			run = 0
		}
		switch {
		case c > top:
			top, n, run, longest = c, 1, 1, 1
		case c == top:
			n, run = n+1, run+1
			longest = max(longest, run)
		default:
			run = 0
		}
	}
	if top == 0 || n < 3 {
		return 0
	}
	whole := bits.OnesCount32(top+1) == 1
	flat := longest >= 3 && longest <= e.bins/2
	if (whole || flat) && math.Pow(tieChance(top), float64(n-1)) < e.setup.Checks.FamilyWise/10 {
		return top
	}
	return 0
}

// tieChance is how likely one more count equals the largest of many: their law
// falls off by that share from one number to the next, some five standard
// deviations out.
func tieChance(top uint32) float64 { return min(1, 5/math.Sqrt(float64(top))) }

// countFlags tells what the counts of a zone alone show.
func (e *Estimator) countFlags(counts []uint32, ceiling uint32, exhausted bool) Flags {
	var f Flags
	var top uint32
	for _, c := range counts {
		top = max(top, c)
	}
	if top == 0 {
		f |= Dead
	}
	if exhausted || ceiling > 0 && top >= ceiling {
		f |= Saturated
	}
	return f
}
