package window

import "math"

// Window is one unit's window over its emitter and receiver.
type Window struct {
	Plate          Plate
	BaselineMM     float64 // emitter to receiver
	GapMM          float64 // module top to inner face, at mid-baseline; above 0
	TiltDeg        float64 // about the axis across the baseline; positive opens towards the receiver
	HalfPowerDeg   float64 // half-power angle of the emitter's lobe
	ApertureMM2    float64 // receiver aperture, in the plane of the module top
	TopReflectance float64 // specular reflectance of the module top
	InnerScatter   float64 // diffuse back reflectance of the inner face (haze, condensation)
	OuterScatter   float64 // diffuse back reflectance of the outer face (dust, fingerprint)
	GasketMM       float64 // width of an opaque strip between the apertures; 0 = none
}

// Face says where a path turned back.
type Face string

// The ways back. Scatter paths are integrals over the whole face, with the
// power-weighted mean as their length and, of the sine along the baseline, as
// their arrival.
const (
	Inner        Face = "inner"
	Outer        Face = "outer"
	InnerScatter Face = "inner scatter"
	OuterScatter Face = "outer scatter"
)

// Path is one way of the light from emitter to receiver.
type Path struct {
	Face        Face
	GapTrips    int     // round trips of the gap, m
	PlateTrips  int     // round trips of the plate, k
	IncidentDeg float64 // at the window, in air; 0 for scatter
	InsideDeg   float64 // inside the plate
	EmissionDeg float64 // from the emitter's axis
	ArrivalDeg  float64 // from the receiver's axis
	GeometricMM float64 // length of the ray
	FlightMM    float64 // length that light in vacuum would travel in the same time
	Weight      float64 // share that the faces pass on, mean of both polarisations
	Fraction    float64 // emitted power that arrives at the aperture
}

// DistanceMM returns the distance at which the path appears: half its flight.
func (p Path) DistanceMM() float64 { return p.FlightMM / 2 }

// DelayPS returns the time of flight.
func (p Path) DelayPS() float64 { return p.FlightMM / SpeedMMPerNS * 1000 }

const (
	mostPlateTrips = 3 // each further one weighs R² ≈ 1/600 of the one before
	mostGapTrips   = 3 // each further one weighs R times the module top's reflectance
)

// Leakage returns every path that matters: reflections at both faces, bounces
// inside the plate and between module top and window, and scatter on the
// faces. Left out are paths that mix several trips of the gap with trips of
// the plate: they weigh R² times the top's reflectance.
func (w Window) Leakage() []Path {
	var paths []Path
	for k := 0; k <= mostPlateTrips; k++ {
		if p, ok := w.Specular(1, k); ok {
			paths = append(paths, p)
		}
	}
	for m := 2; m <= mostGapTrips && w.TopReflectance > 0; m++ {
		if p, ok := w.Specular(m, 0); ok {
			paths = append(paths, p)
		}
	}
	if w.InnerScatter > 0 {
		if p, ok := w.scattered(0, hemisphere); ok {
			p.scale(w.InnerScatter)
			paths = append(paths, p)
		}
	}
	if w.OuterScatter > 0 {
		if p, ok := w.scattered(w.Plate.ThicknessMM, hemisphere); ok {
			p.scale(w.OuterScatter)
			paths = append(paths, p)
		}
	}
	return paths
}

// Total sums paths: the fraction of the emitted power at the aperture and the
// power-weighted mean distance in mm (0 if no power).
func Total(paths []Path) (fraction, distanceMM float64) {
	for _, p := range paths {
		fraction += p.Fraction
		distanceMM += p.Fraction * p.DistanceMM()
	}
	if fraction > 0 {
		distanceMM /= fraction
	}
	return fraction, distanceMM
}

// Specular returns the path with m ≥ 1 round trips of the gap and k ≥ 0 of the
// plate (k = 0: inner face, k ≥ 1: outer face), and whether there is one. It
// solves s = 2 m g tan a + 2 k t tan b, sin a = n sin b.
//
// Tilt is exact for m = 1: a plate hinged at mid-baseline shortens the
// baseline along the plate and the gap alike by cos(tilt), so the incidence
// stays and emission and arrival turn by ∓tilt.
func (w Window) Specular(m, k int) (Path, bool) {
	if m < 1 || k < 0 || w.GasketMM > 0 && (m > 1 || k == 0) {
		return Path{}, false
	}
	tilt := radians(w.TiltDeg)
	gap := float64(m) * w.GapMM * math.Cos(tilt)
	span := w.BaselineMM * math.Cos(tilt)
	ray := solve(span/2, gap, float64(k)*w.Plate.ThicknessMM, w.Plate.Index)
	lateral := span - 2*gap*ray.tan
	if w.GasketMM > 0 && lateral < w.GasketMM {
		return Path{}, false
	}
	angle := math.Atan(ray.tan)
	emission, arrival := angle-tilt, angle+tilt
	if math.Abs(emission) >= math.Pi/2 || math.Abs(arrival) >= math.Pi/2 {
		return Path{}, false
	}
	cosPlate := insideCos(w.Plate.Index, ray.sin)
	inPlate := 2 * float64(k) * w.Plate.ThicknessMM / cosPlate
	p := Path{
		Face: Inner, GapTrips: m, PlateTrips: k,
		IncidentDeg: degrees(angle), InsideDeg: degrees(math.Acos(cosPlate)),
		EmissionDeg: degrees(emission), ArrivalDeg: degrees(arrival),
		GeometricMM: 2*gap/ray.cos + inPlate,
		FlightMM:    2*gap/ray.cos + inPlate*w.Plate.GroupIndex,
	}
	rs, rp := fresnel(w.Plate.Index, ray.cos, cosPlate)
	if k == 0 {
		p.Weight = (math.Pow(rs, float64(m)) + math.Pow(rp, float64(m))) / 2
	} else {
		p.Face = Outer
		odd := float64(2*k - 1)
		p.Weight = ((1-rs)*(1-rs)*math.Pow(rs, odd) + (1-rp)*(1-rp)*math.Pow(rp, odd)) / 2 *
			math.Exp(-w.Plate.AbsorptionPerMM*inPlate)
	}
	p.Weight *= math.Pow(w.TopReflectance, float64(m-1))
	// The aperture lies in the module top, turned by the tilt against the plate.
	facing := math.Cos(arrival) / ray.cos
	p.Fraction = w.intensity(math.Cos(emission)) * ray.spread / 4 * facing * w.ApertureMM2 * p.Weight
	return p, true
}

// ReachMM returns how far apart two aperture edges may be so that lit and seen
// cones still meet on the inner and on the outer face.
func (w Window) ReachMM(emitterHalfDeg, receiverHalfDeg float64) (inner, outer float64) {
	inner = w.GapMM * (math.Tan(radians(emitterHalfDeg)) + math.Tan(radians(receiverHalfDeg)))
	return inner, inner + (w.Plate.ReachMM(emitterHalfDeg)+w.Plate.ReachMM(receiverHalfDeg))/2
}

// lobe returns the exponent m_L of the emitter's lobe cos^m_L.
func (w Window) lobe() float64 { return -math.Ln2 / math.Log(math.Cos(radians(w.HalfPowerDeg))) }

// intensity is the emitted power per solid angle, P (m_L+1)/(2π) cos^m_L a.
func (w Window) intensity(cos float64) float64 {
	m := w.lobe()
	return (m + 1) / (2 * math.Pi) * math.Pow(cos, m)
}

// ray is a direction in air that crosses a gap and a thickness of plate to
// meet a lateral distance r.
type ray struct {
	sin, cos, tan float64
	spread        float64 // solid angle per area at r: sin a / (r dr/da), 1/mm²
}

// solve finds the ray with r = gap·tan a + thick·tan b. In u = tan a, r(u) is
// increasing and concave, so Newton's steps from 0 rise to the root and never
// pass it.
func solve(r, gap, thick, n float64) ray {
	n2 := n * n
	var u, slope float64
	for range 60 {
		root := math.Sqrt(n2 + (n2-1)*u*u)
		slope = gap + thick*n2/(root*root*root)
		step := (r - gap*u - thick*u/root) / slope
		if !(step > 1e-15*(1+u)) {
			break
		}
		u += step
	}
	square := 1 + u*u
	root := math.Sqrt(square)
	v := ray{sin: u / root, cos: 1 / root, tan: u}
	// sin a/(r dr/da) with dr/da = slope·(1+u²), and r = u·(r/u) so that r → 0 is harmless.
	perU := gap + thick/math.Sqrt(n2+(n2-1)*u*u)
	v.spread = 1 / (perU * slope * square * root)
	return v
}
