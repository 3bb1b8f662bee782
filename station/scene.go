package station

import (
	"math"

	"example.org/panecal/protocol"
)

// scene is what a capture saw of each zone as a whole: counts per shot with
// their variances.
type scene struct{ rate, variance []float64 }

// sceneOf sums a capture up. Captures of histograms and of totals give scenes
// that can be compared; those of ranges can be compared with each other.
func sceneOf(c *protocol.Capture) scene {
	shots := float64(max(c.Shots, 1))
	var s scene
	if c.Kind == protocol.Ranges {
		for _, z := range c.Ranges {
			u := float64(z.SignalU) * nano
			s.rate = append(s.rate, float64(z.Signal)*nano)
			s.variance = append(s.variance, u*u)
		}
		return s
	}
	for _, n := range c.Totals {
		s.rate = append(s.rate, float64(n)/shots)
		// A zone without counts is known no better than to one.
		s.variance = append(s.variance, max(float64(n), 1)/(shots*shots))
	}
	return s
}

// Two scenes differ where a zone changed by more than both; a quarter of the
// zones makes a change that is not one warm zone or one reflex. An unmoved
// field keeps within a few percent (laser power, lamps).
const (
	sceneSigmas   = 6
	sceneRelative = 0.05
)

// differs reports whether enough zones changed.
func (s scene) differs(o scene) bool {
	if len(s.rate) != len(o.rate) || len(s.rate) == 0 {
		return true
	}
	changed := 0
	for z, r := range s.rate {
		d := math.Abs(r - o.rate[z])
		if d > sceneSigmas*math.Sqrt(s.variance[z]+o.variance[z]) && d > sceneRelative*max(math.Abs(r), math.Abs(o.rate[z])) {
			changed++
		}
	}
	return changed >= max(1, len(s.rate)/4)
}

// sceneWatch waits for a field to change and to keep still.
type sceneWatch struct {
	base   scene
	last   scene
	change bool // the field must differ from base
	hurry  bool // the operator says that it is as it should be
	still  int  // looks in a row that agree
	then   Step // the capture to take
}

// stillLooks is how many looks in a row must agree: with the pause between
// them a hand that passes by does not keep still that long.
const stillLooks = 2

// ready takes the next look.
func (w *sceneWatch) ready(now scene) bool {
	if len(w.last.rate) > 0 && !now.differs(w.last) {
		w.still++
	} else {
		w.still = 0
	}
	w.last = now
	return w.hurry || w.still >= stillLooks && (!w.change || now.differs(w.base))
}
