package cause

// Code names a cause.
type Code string

// The causes.
const (
	Dirt       Code = "dirt"
	Moisture   Code = "moisture"
	Gap        Code = "gap"
	Tilt       Code = "tilt"
	Gasket     Code = "gasket"
	Absorption Code = "absorption"
	Reflection Code = "reflection"
	Emitter    Code = "emitter"
	Zones      Code = "zones"
	Seat       Code = "seat"
	Station    Code = "station"
	Constants  Code = "constants"
	None       Code = "none"
)

// Codes are all causes, None last.
func Codes() []Code {
	return []Code{Dirt, Moisture, Gap, Tilt, Gasket, Absorption, Reflection, Emitter, Zones, Seat, Station, Constants, None}
}

// Text is a cause in words.
func (c Code) Text() string {
	switch c {
	case Dirt:
		return "dirt or a scattering film on the window"
	case Moisture:
		return "moisture on the window"
	case Gap:
		return "air gap under the window too large"
	case Tilt:
		return "window tilted"
	case Gasket:
		return "gasket missing, shifted or leaky"
	case Absorption:
		return "window material absorbs"
	case Reflection:
		return "foreign reflection in the field"
	case Emitter:
		return "weak emitter"
	case Zones:
		return "dead or hot zones"
	case Seat:
		return "not seated right in the nest"
	case Station:
		return "the nest's target has drifted"
	case Constants:
		return "wrong constants, from an earlier run"
	}
	return "no fault found"
}

// priorNone is the chance that nothing is wrong with a unit that is asked
// about, before anything is known of it: the largest tenth with which at most 5 % of
// what is said with 0.9 and more is wrong, half of the units healthy, in the worlds that
// the table was learnt in and on units that it has not learnt.
const priorNone = 0.7

// Prior is the chance of a cause before anything is known: 0.7 that nothing is
// wrong, the rest alike for all causes. It is a choice, common to all sites.
func Prior(c Code) float64 {
	if c == None {
		return priorNone
	}
	return (1 - priorNone) / float64(len(Codes())-1)
}
