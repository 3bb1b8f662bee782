package simunit

import (
	"math"
	"math/rand/v2"

	"example.org/panecal/station/window"
)

// body is one unit as it was made: the model with its spread drawn. Nothing
// here changes after it is made but by [Unit.Alter], and what is remembered.
type body struct {
	model     Model
	pulse     *integral
	width     float64 // of the pulse, relative
	photons   float64 // emitted in one shot at 25 Cel
	window    window.Window
	accept    []float64 // stray acceptance of each zone
	usual     float64   // mean of the stray law over the zones, for the nominal window
	gain      []float64 // sensitivity of each zone
	ambient   []float64 // counts per shot and bin
	zeroMM    []float64 // electronics' zero error of each zone at 25 Cel
	added     []float64 // what the window adds to each zone's range, mm
	through   []float64 // the window's two passes, per zone
	edges     []float64 // where the bins begin and the last one ends, ps, before binScale
	binScale  []float64 // zone-major: each bin's width over that between its edges
	tempCel   float64
	sensorCel float64 // thermometer error
	tempMM    float64 // offset per K
	farMM     float64 // true minus stated target distance
	dead, hot []bool

	last  window.Window // as it was last asked about, and its paths
	known []window.Path
}

// streams of one seed: what a unit is does not depend on what is done to it.
const (
	streamBody = iota
	streamSeat
	streamPhotons
	streamFaults
	streamIdentity
)

func stream(seed uint64, kind, n uint64) *rand.Rand {
	return rand.New(rand.NewPCG(seed, kind<<56|n))
}

func newBody(m Model, seed uint64) (*body, error) {
	if err := m.check(); err != nil {
		return nil, err
	}
	pulse, err := newIntegral(m.Pulse)
	if err != nil {
		return nil, err
	}
	r, s, d := stream(seed, streamBody, 0), m.Spread, m.Departures
	about := func(sd float64) float64 { return sd * r.NormFloat64() }
	share := func(sd float64) float64 { return math.Exp(about(sd)) }

	b := &body{model: m, pulse: pulse, window: m.Window}
	b.width = 1 + d.PulseWidthRel*(2*r.Float64()-1)
	b.photons = m.EnergyNJ / photonNJ * share(s.EnergyRel)
	b.window.GapMM = math.Max(0.05, m.Window.GapMM+about(s.GapMM))
	b.window.TiltDeg += about(s.TiltDeg)
	b.window.Plate.ThicknessMM = math.Max(0.2, m.Window.Plate.ThicknessMM+about(s.ThicknessMM))
	shift := about(s.Index)
	b.window.Plate.Index += shift
	b.window.Plate.GroupIndex += shift
	b.window.InnerScatter += s.ScatterRho * r.ExpFloat64()
	b.window.OuterScatter += s.ScatterRho * r.ExpFloat64()
	b.tempCel = 24 + about(s.TempCel)
	b.sensorCel = about(s.SensorCel)
	b.tempMM = m.TempCoeffMM + about(s.TempCoeffMM)
	b.farMM = about(d.DistanceSDMM)

	accept, zero, ambient := m.StrayAcceptance*share(s.AcceptanceRel), m.OffsetMM+about(s.OffsetMM), share(s.AmbientRel)
	edge := 0.0
	for _, u := range m.Ux {
		edge = math.Max(edge, math.Abs(u))
	}
	for z := range m.Zones() {
		slope := 1.0
		if edge > 0 && m.StrayLaw == (StrayLaw{}) {
			slope += m.StrayXSlope * m.Ux[z] / edge
		}
		b.accept = append(b.accept, accept*slope*share(s.ZoneAcceptanceRel))
		b.gain = append(b.gain, share(s.ZoneGainRel))
		b.ambient = append(b.ambient, m.AmbientRate*ambient*share(s.AmbientRel/2))
		b.zeroMM = append(b.zeroMM, zero+about(s.ZoneOffsetMM))
		for range m.Bins {
			b.binScale = append(b.binScale, math.Max(0.1, 1+about(d.BinWidthRel)))
		}
		angle := math.Atan(math.Hypot(m.Ux[z], m.Uy[z])) * 180 / math.Pi
		one, _ := b.window.Plate.Transmittance(angle)
		b.through = append(b.through, one*one)
		b.added = append(b.added, b.window.Plate.AddedMM(angle))
	}
	if m.StrayLaw != (StrayLaw{}) {
		all := 0.0
		for _, p := range m.Window.Leakage() {
			for _, s := range b.comes(p) {
				b.usual += s * p.Fraction / float64(m.Zones())
			}
			all += p.Fraction
		}
		b.usual /= all
	}
	b.edges = walk(m, about)
	b.dead, b.hot = marks(m.DeadZones, m.Zones()), marks(m.HotZones, m.Zones())
	return b, nil
}

// comes are the zones' parts of the light of a path, before they are scaled
// to the nominal window's; nil without a law.
func (b *body) comes(p window.Path) []float64 {
	if b.model.StrayLaw == (StrayLaw{}) {
		return nil
	}
	return b.model.StrayLaw.shares(&b.model, math.Sin(p.ArrivalDeg*math.Pi/180))
}

// walk draws the edges of the bins: widths that add up along the axis, whose
// length is the clock's and stays.
func walk(m Model, about func(sd float64) float64) []float64 {
	edges := make([]float64, m.Bins+1)
	for i := range m.Bins {
		wide := 1.0
		if m.WidthsPS != nil {
			wide = m.WidthsPS[i] / float64(m.BinPS)
		}
		edges[i+1] = edges[i] + wide*math.Max(0.1, 1+about(m.Departures.BinWalkRel))
	}
	whole := edges[m.Bins] / float64(m.Bins)
	for i, e := range edges {
		edges[i] = float64(m.FirstBinPS) + e/whole*float64(m.BinPS)
	}
	return edges
}

func marks(zones []int, n int) []bool {
	set := make([]bool, n)
	for _, z := range zones {
		if z >= 0 && z < n {
			set[z] = true
		}
	}
	return set
}

// seat is one placing of the unit in the nest.
type seat struct {
	slopeX, slopeY float64 // of the target plane as the unit sees it, tangents
	shiftMM        float64 // the unit sits this much farther from the target
	late           []float64
}

func (b *body) newSeat(seed uint64, n int, tiltXDeg, tiltYDeg, shiftMM float64) seat {
	r, m := stream(seed, streamSeat, uint64(n)), b.model
	tilt := func(deg float64) float64 {
		return math.Tan((deg + m.Spread.SeatTiltDeg*r.NormFloat64()) * math.Pi / 180)
	}
	s := seat{slopeX: tilt(tiltXDeg), slopeY: tilt(tiltYDeg), shiftMM: shiftMM}
	span := m.Departures.MultipathDelayPS
	for range m.Zones() {
		s.late = append(s.late, span[0]+(span[1]-span[0])*r.Float64())
	}
	return s
}

// power is the laser power at the unit's temperature.
func (b *body) power() float64 { return 1 + b.model.PowerPerK*(b.tempCel-25) }

// zero is a zone's zero error at the unit's temperature, mm.
func (b *body) zero(z int) float64 { return b.zeroMM[z] + b.tempMM*(b.tempCel-25) }

// efficiency is the share of photons at the aperture, and accepted, that are
// counted.
func (b *body) efficiency() float64 { return b.model.OpticsT * b.model.Detection }

// ray is a direction within a zone (tangents) and the share of the zone's
// photons that goes along it.
type ray struct{ ux, uy, share float64 }

// rays spreads a zone's photons over its area with even radiant intensity:
// so much for each solid angle, du·dv/(1+u²)^(3/2). Three points each way
// after Gauss and Legendre; a zone without area is one ray.
func (b *body) rays(z int) []ray {
	m := b.model
	if m.ZoneU == 0 && m.ZoneV == 0 {
		return []ray{{m.Ux[z], m.Uy[z], 1}}
	}
	at, weight := [3]float64{-math.Sqrt(0.6), 0, math.Sqrt(0.6)}, [3]float64{5, 8, 5}
	var out []ray
	sum := 0.0
	for i, v := range at {
		for j, u := range at {
			r := ray{ux: m.Ux[z] + u*m.ZoneU/2, uy: m.Uy[z] + v*m.ZoneV/2}
			r.share = weight[i] * weight[j] * math.Pow(1+r.ux*r.ux+r.uy*r.uy, -1.5)
			sum += r.share
			out = append(out, r)
		}
	}
	for i := range out {
		out[i].share /= sum
	}
	return out
}

// radial is the true distance along a ray to a plane target at a stated
// perpendicular distance from the fixture's reference.
func (b *body) radial(r ray, s seat, statedMM float64) float64 {
	plane := (statedMM + b.farMM + s.shiftMM + b.model.DatumMM) / (1 - s.slopeX*r.ux - s.slopeY*r.uy)
	return plane * math.Sqrt(1+r.ux*r.ux+r.uy*r.uy)
}

// signal is what comes back along one ray of a zone: the lidar equation for a
// flat Lambertian target that fills it: N_tx (ρ/π) cos θ (A_r/d²) T_w² T_o η (Jelalian, Laser Radar Systems,
// 1992; McManamon, Opt. Eng. 51, 060901, 2012). The aperture lies in the
// module's plane, so the zone's own obliquity enters once more.
func (b *body) signal(z int, r ray, radialMM, reflectance float64) float64 {
	m := b.model
	u := math.Hypot(r.ux, r.uy)
	cos := 1 / math.Sqrt(1+u*u)
	return LinkBudget{
		Photons: r.share * b.photons * b.power() / float64(m.Zones()), Reflectance: reflectance, IncidenceCos: cos,
		ApertureMM2: m.Window.ApertureMM2 * cos, RadialMM: radialMM, TwoPass: b.through[z],
		Optics: m.OpticsT, Detection: m.Detection,
	}.Counts() * b.gain[z]
}

// LinkBudget holds the terms of the lidar equation.
type LinkBudget struct {
	Photons      float64 // sent into the zone by one shot
	Reflectance  float64
	IncidenceCos float64
	ApertureMM2  float64
	RadialMM     float64
	TwoPass      float64 // transmittance of the window, out and back
	Optics       float64
	Detection    float64
}

// Counts returns the mean number of counted photons of one shot.
func (l LinkBudget) Counts() float64 {
	return l.Photons * l.Reflectance / math.Pi * l.IncidenceCos * l.ApertureMM2 /
		(l.RadialMM * l.RadialMM) * l.TwoPass * l.Optics * l.Detection
}
