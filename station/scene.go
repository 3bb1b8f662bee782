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

// moved reports whether two looks that follow each other show that something
// moves: enough zones changed, or all together by more than their noise, which
// tells less than a zone alone can.
func (s scene) moved(o scene) bool {
	if s.differs(o) {
		return true
	}
	var a, b, variance float64
	for z, r := range s.rate {
		a, b, variance = a+r, b+o.rate[z], variance+s.variance[z]+o.variance[z]
	}
	d := math.Abs(a - b)
	return d > sceneSigmas*math.Sqrt(variance) && d > sceneRelative*max(math.Abs(a), math.Abs(b))
}

// above is what a scene shows more than another, which was dark.
func (s scene) above(dark scene) scene {
	if len(s.rate) != len(dark.rate) {
		return scene{}
	}
	var d scene
	for z, r := range s.rate {
		d.rate = append(d.rate, r-dark.rate[z])
		d.variance = append(d.variance, s.variance[z]+dark.variance[z])
	}
	return d
}

// sceneAlike is how far the same target differs from one unit to the next: in
// laser power, window and aim.
const sceneAlike = 0.25

// like reports whether all but a few zones show what they showed before.
func (s scene) like(o scene) bool {
	if len(s.rate) != len(o.rate) || len(s.rate) == 0 {
		return false
	}
	far := 0
	for z, r := range s.rate {
		if d := math.Abs(r - o.rate[z]); d > sceneSigmas*math.Sqrt(s.variance[z]+o.variance[z])+sceneAlike*math.Abs(o.rate[z]) {
			far++
		}
	}
	return far < max(1, len(s.rate)/4)
}
