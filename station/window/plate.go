package window

import "math"

// Plate is the window as a plane-parallel, uncoated plate in air.
type Plate struct {
	ThicknessMM     float64
	Index           float64 // phase index, above 1
	GroupIndex      float64
	AbsorptionPerMM float64 // of the power, 1/mm; 0 = lossless
}

// NewPlate makes a plate of a catalogue material at a wavelength in µm.
func NewPlate(m Material, wavelengthUM, thicknessMM float64) Plate {
	n, g := m.Index(wavelengthUM)
	return Plate{ThicknessMM: thicknessMM, Index: n, GroupIndex: g}
}

// Fresnel returns the power reflectances of one face for light polarised
// perpendicular (s) and parallel (p) to the plane of incidence, at an angle
// in air of 0 to 90 degrees.
func (p Plate) Fresnel(airDeg float64) (s, pp float64) {
	sin, cos := math.Sincos(radians(airDeg))
	return fresnel(p.Index, cos, insideCos(p.Index, sin))
}

func fresnel(n, cosAir, cosPlate float64) (s, p float64) {
	s = (cosAir - n*cosPlate) / (cosAir + n*cosPlate)
	p = (n*cosAir - cosPlate) / (n*cosAir + cosPlate)
	return s * s, p * p
}

func insideCos(n, sinAir float64) float64 {
	inside := sinAir / n
	return math.Sqrt(1 - inside*inside)
}

// InsideDeg returns the ray's angle inside the plate.
func (p Plate) InsideDeg(airDeg float64) float64 {
	return degrees(math.Asin(math.Sin(radians(airDeg)) / p.Index))
}

// Transmittance returns the transmitted and reflected power fraction of
// unpolarised light, all incoherent multiple reflections included. The two
// polarisations are averaged after the sum over reflections, never before.
// (Smith, Modern Optical Engineering, Eq. 11.1-11.2; lossless at normal
// incidence 2n/(n²+1).)
func (p Plate) Transmittance(airDeg float64) (transmitted, reflected float64) {
	sin, cos := math.Sincos(radians(airDeg))
	inside := insideCos(p.Index, sin)
	tau := math.Exp(-p.AbsorptionPerMM * p.ThicknessMM / inside)
	rs, rp := fresnel(p.Index, cos, inside)
	for _, r := range []float64{rs, rp} {
		through := (1 - r) * (1 - r) * tau / (1 - r*r*tau*tau)
		transmitted += through / 2
		reflected += (r + through*r*tau) / 2
	}
	return transmitted, reflected
}

// AddedMM returns the one-way distance that the plate adds to a range
// measured through it: t (n cos b − cos a + (n_g − n)/cos b).
func (p Plate) AddedMM(airDeg float64) float64 {
	sin, cos := math.Sincos(radians(airDeg))
	inside := insideCos(p.Index, sin)
	return p.ThicknessMM * (p.Index*inside - cos + (p.GroupIndex-p.Index)/inside)
}

// ShiftMM returns the sideways shift of a ray that passes the plate.
func (p Plate) ShiftMM(airDeg float64) float64 {
	a, b := radians(airDeg), radians(p.InsideDeg(airDeg))
	return p.ThicknessMM * math.Sin(a-b) / math.Cos(b)
}

// ReachMM returns how far light that enters at an angle in air travels
// sideways inside the plate between entry and exit with one reflection at the
// outer face: 2 t tan b. At 90 degrees it is the limit that nothing exceeds.
func (p Plate) ReachMM(airDeg float64) float64 {
	return 2 * p.ThicknessMM * math.Tan(radians(p.InsideDeg(airDeg)))
}

// Bounces returns how many reflections at the outer face light that enters at
// an angle in air needs to pass under an opaque strip of a width, at least 1,
// and their weight (1−R)² R^(2k−1) with R of normal incidence.
func (p Plate) Bounces(widthMM, airDeg float64) (k int, weight float64) {
	k = max(1, int(math.Ceil(widthMM/p.ReachMM(airDeg))))
	r, _ := p.Fresnel(0)
	return k, (1 - r) * (1 - r) * math.Pow(r, float64(2*k-1))
}

// Haze returns total and diffuse transmittance and the haze in percent from
// the four readings of ASTM D1003 / ISO 14782: incident light, light through
// the specimen, instrument scatter, scatter of instrument and specimen.
//
// Haze is a visible, forward number; it does not give the back scatter at an
// infrared wavelength.
func Haze(incident, total, instrument, specimen float64) (transmittance, diffuse, percent float64) {
	transmittance = total / incident
	diffuse = (specimen - instrument*transmittance) / incident
	return transmittance, diffuse, 100 * diffuse / transmittance
}
