package simunit

import "math"

// ExpectedLeakage is the true mean leakage of each zone and bin, counts per
// shot.
func ExpectedLeakage(u *Unit) [][]float64 {
	u.mu.Lock()
	defer u.mu.Unlock()
	l := u.body.shine(Scene{}, u.seat)
	m := u.body.model
	var all [][]float64
	for z := range m.Zones() {
		all = append(all, l.laser[z*m.Bins:(z+1)*m.Bins])
	}
	return all
}

// IdealRanges is the unit's own ranging of counts without noise, in mm.
func IdealRanges(u *Unit, s Scene, compensated bool) []float64 {
	u.mu.Lock()
	defer u.mu.Unlock()
	l := u.body.shine(s, u.seat)
	const shots = 1e9
	counts := make([]uint32, len(l.laser))
	for i := range counts {
		counts[i] = uint32(math.Round((l.laser[i] + l.dark[i]) * shots))
	}
	var comp *constants
	if compensated {
		comp = u.constants()
	}
	var mm []float64
	for _, z := range u.body.ranges(counts, shots, comp) {
		if z.Ranged {
			mm = append(mm, float64(z.Range)/1000)
		} else {
			mm = append(mm, math.NaN())
		}
	}
	return mm
}

// Blacken takes all leakage from a unit.
func Blacken(u *Unit) {
	u.mu.Lock()
	defer u.mu.Unlock()
	for z := range u.body.accept {
		u.body.accept[z] = 0
	}
	u.lit = nil
}

// Hear gives a unit the payload of one packet and returns its packets.
func (u *Unit) Hear(payload []byte) [][]byte {
	say := u.hear(payload)
	if say.restart {
		u.Reset()
	}
	return say.now
}
