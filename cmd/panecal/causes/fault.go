package causes

import (
	"math"
	"math/rand/v2"

	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station/cause"
)

// fault is one cause in one simulated unit. Its size is a number of the
// window's optics, or of whatever it is.
type fault struct {
	code  cause.Code
	size  float64 // see sizes
	turn  float64 // a direction or a sign, 0 to 1
	extra float64 // another number of its own, 0 to 1
	left  float64 // share of it that is there: 1, less after an experiment
}

// sizes are the smallest and the largest size of a fault, drawn even in its
// logarithm: from about a fifth of what just fails the sample limits to some times
// as much.
func sizes(c cause.Code) (low, high float64) {
	switch c {
	case cause.Dirt:
		return 0.01, 0.3 // diffuse back reflectance of the outer face
	case cause.Moisture:
		return 0.04, 0.4 // of the inner face; a third as much on the outer one
	case cause.Gap:
		return 0.1, 1.2 // mm more
	case cause.Tilt:
		return 2, 15 // degrees
	case cause.Gasket:
		return 0.35, 4 // so many times the leakage more
	case cause.Absorption:
		return 0.08, 0.9 // 1/mm
	case cause.Reflection:
		return 0.0003, 0.03 // counts per shot and zone
	case cause.Emitter:
		return 0.2, 2.3 // ln of how many times weaker
	case cause.Zones:
		return 1, 8 // zones
	case cause.Seat:
		return 0.3, 5 // degrees
	case cause.Station:
		return 0.8, 4 // mm
	case cause.Constants:
		return 0.5, 15 // mm
	}
	return 1, 1
}

func draw(c cause.Code, r *rand.Rand) fault {
	low, high := sizes(c)
	return fault{code: c, size: low * math.Pow(high/low, r.Float64()), turn: r.Float64(), extra: r.Float64(), left: 1}
}

// is says how large a cause is in this unit; 0 for all others.
func (f fault) is(c cause.Code) float64 {
	if f.code != c {
		return 0
	}
	return f.size * f.left
}

func (f fault) sign() float64 {
	if f.turn < 0.5 {
		return -1
	}
	return 1
}

// undone is what is left of a fault after an experiment that undoes it: hands
// take most of it.
func (f fault) undone(r *rand.Rand) fault {
	f.left = 0.3 * r.Float64()
	if f.code == cause.Constants || f.code == cause.Zones {
		f.left = 0
	}
	return f
}

// model is the product with the fault built in.
func (f fault) model(w *world) simunit.Model {
	m := w.model()
	m.Window.GapMM += f.is(cause.Gap)
	m.Window.TiltDeg += f.is(cause.Tilt) * f.sign()
	m.StrayAcceptance *= 1 + f.is(cause.Gasket)
	m.Window.Plate.AbsorptionPerMM += f.is(cause.Absorption)
	if weak := f.is(cause.Emitter); weak > 0 {
		m.EnergyNJ *= math.Exp(-weak)
		// A weak emitter is often a slow one: up to 8 % wider.
		stretch := 1 + 0.08*f.extra
		m.Pulse.StartPS *= stretch
		m.Pulse.StepPS *= stretch
	}
	if n := int(f.is(cause.Zones) + 0.5); n > 0 {
		from := int(f.turn * float64(m.Zones()-n))
		for z := range n {
			if f.extra < 0.5 {
				m.DeadZones = append(m.DeadZones, from+z)
			} else {
				m.HotZones = append(m.HotZones, from+z)
			}
		}
	}
	return m
}

// seating is how the unit lies in the nest.
func (f fault) seating(w *world, r *rand.Rand) simunit.Seating {
	sin, cos := math.Sincos(2 * math.Pi * f.turn)
	tilt := f.is(cause.Seat)
	lift := 0.0
	if tilt > 0 {
		lift = 4 * (f.extra - 0.5)
	}
	again := w.seatDeg
	return simunit.Seating{TiltXDeg: tilt*cos + again*r.NormFloat64(), TiltYDeg: tilt*sin + again*r.NormFloat64(), ShiftMM: lift + f.is(cause.Station)*f.sign()}
}

// empty is the scene of the empty field.
func (f fault) empty(w *world) simunit.Scene {
	s := simunit.Scene{Ambient: f.passes(w), Smear: f.is(cause.Dirt)}
	if film := f.is(cause.Moisture); film > 0 {
		s.Film, s.Smear, s.Fades = film, film/3, f.fades()
	}
	if rate := f.is(cause.Reflection); rate > 0 {
		m := w.model()
		s.GlintMM, s.GlintRate = 20*math.Pow(7.5, f.turn), rate
		s.GlintFrom = int(f.extra * float64(m.Cols-1))
		s.Upto = min(m.Cols, s.GlintFrom+3)
	}
	return s
}

// fades is the share of the moisture that is gone by the end of a capture.
func (f fault) fades() float64 { return 0.05 + 0.5*f.extra }

// passes is the share of light that the faces let through once, over a clean
// window: what a face throws back does not pass it, and absorbed light is gone.
func (f fault) passes(w *world) float64 {
	film := f.is(cause.Moisture)
	p := (1 - f.is(cause.Dirt)) * (1 - film) * (1 - film/3)
	return p * math.Exp(-f.is(cause.Absorption)*w.model().Window.Plate.ThicknessMM)
}

// target is the scene with the target. Absorption is in the model already, dirt
// is not.
func (f fault) target(w *world, mm, reflectance float64) simunit.Scene {
	s := f.empty(w)
	if s.Film > 0 {
		rest := 1 - s.Fades // it has dried on since
		s.Film, s.Smear = s.Film*rest, s.Smear*rest
		f.left *= rest
		s.Ambient = f.passes(w)
	}
	through := f.passes(w) / math.Exp(-f.is(cause.Absorption)*w.model().Window.Plate.ThicknessMM)
	s.TargetMM, s.Reflectance = mm, reflectance*through*through
	return s
}

// drawAt draws the fault of a unit of a world.
func drawAt(c cause.Code, unit, seed uint64) fault { return draw(c, rand.New(rand.NewPCG(unit, seed))) }
