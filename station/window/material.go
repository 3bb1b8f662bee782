package window

import "math"

// Material is a transparent material with its published dispersion formula.
type Material struct {
	Name   string
	Source string // publication of the dispersion formula

	// n² = 1 + Σ B λ²/(λ² − C), λ and √C in µm.
	b, c []float64
	// n² = Σ power[i]·λ^exponent[i] instead, where given.
	power, exponent []float64
}

// Materials returns the catalogue of window materials. The slice is the
// caller's.
//
// The index of polycarbonate differs by up to 0.007 between publications;
// allow ±0.005 in n and ±0.002 in a plate's transmittance for plastics.
func Materials() []Material {
	return []Material{
		{Name: "N-BK7", Source: "Schott data sheet, refractiveindex.info (CC0)",
			b: []float64{1.03961212, 0.231792344, 1.01046945},
			c: []float64{0.00600069867, 0.0200179144, 103.560653}},
		{Name: "fused_silica", Source: "Malitson, JOSA 55, 1205 (1965)",
			b: []float64{0.6961663, 0.4079426, 0.8974794},
			c: []float64{0.0684043 * 0.0684043, 0.1162414 * 0.1162414, 9.896161 * 9.896161}},
		{Name: "PMMA_Sultanova_fit", Source: "Sultanova, Acta Phys. Pol. A 116, 585 (2009)",
			b: []float64{1.1819}, c: []float64{0.011313}},
		{Name: "PMMA_Beadie", Source: "Beadie, Appl. Opt. 54, F139 (2015)",
			power:    []float64{2.1778, 6.1209e-3, -1.5004e-3, 2.3678e-2, -4.2137e-3, 7.3417e-4, -4.5042e-5},
			exponent: []float64{0, 2, 4, -2, -4, -6, -8}},
		{Name: "PC_Sultanova_fit", Source: "Sultanova, Acta Phys. Pol. A 116, 585 (2009)",
			b: []float64{1.4182}, c: []float64{0.021304}},
	}
}

// Index returns phase and group index at a wavelength in µm, both NaN outside
// 0.4 to 1.6 µm, where the formulas do not hold for every material.
// The group index is n − λ dn/dλ, differentiated analytically.
func (m Material) Index(wavelengthUM float64) (phase, group float64) {
	if !(wavelengthUM >= 0.4 && wavelengthUM <= 1.6) {
		return math.NaN(), math.NaN()
	}
	square := wavelengthUM * wavelengthUM
	var n2, slope float64 // n² and λ·d(n²)/dλ
	if m.power != nil {
		for i, p := range m.power {
			term := p * math.Pow(wavelengthUM, m.exponent[i])
			n2 += term
			slope += m.exponent[i] * term
		}
	} else {
		n2 = 1
		for i, b := range m.b {
			d := square - m.c[i]
			n2 += b * square / d
			slope -= 2 * b * m.c[i] * square / (d * d)
		}
	}
	phase = math.Sqrt(n2)
	return phase, phase - slope/(2*phase)
}
