package causes

import (
	"example.org/panecal/protocol/simunit"
)

// world is how simulated units are made. The table is learnt in one world and
// tried in another, of which it knows nothing.
type world struct {
	seed    uint64
	law     simunit.StrayLaw
	pulse   float64 // stretch of the product's pulse in all units
	worse   float64 // times the usual departures
	seatDeg float64 // more tilt of each seating, standard deviation
}

// trying has another scatter law, another pulse, and departures half as large
// again.
func trying() *world {
	return &world{seed: 17, law: simunit.StrayLaw{Power: 1.0, Shoulder: 0.4}, pulse: 1.04, worse: 1.5, seatDeg: 0.06}
}

// model is the product in this world.
func (w *world) model() simunit.Model {
	m := simunit.Hopper54()
	m.StrayXSlope, m.StrayLaw = 0, w.law
	m.Pulse.StartPS *= w.pulse
	m.Pulse.StepPS *= w.pulse
	d := &m.Departures
	d.PulseWidthRel *= w.worse
	d.PowerRel *= w.worse
	d.BinWidthRel *= w.worse
	d.BinWalkRel *= w.worse
	d.MultipathRel *= w.worse
	return m
}
