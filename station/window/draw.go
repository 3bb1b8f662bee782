package window

import (
	"math"
	"math/rand/v2"
)

// Tolerances are how windows of one drawing differ: standard deviations about
// the nominal window, in its units. Scatter is given by its mean alone, the
// nominal value, and is distributed exponentially: most windows are clean and a
// few are not (common practice, no source).
type Tolerances struct {
	GapMM, ThicknessMM, TiltDeg, Index, GasketMM float64
}

// Drawing draws windows of one drawing and tells their leakage. Reflections are
// exact for each window; how scattered light changes with gap, thickness and
// gasket is taken to first order of its logarithm, one standard deviation to
// each side, because its integral takes a thousand times longer. A Drawing does
// not change and is safe for concurrent use.
type Drawing struct {
	w       Window
	t       Tolerances
	scatter [2]scatterAt // inner and outer face
}

// scatterAt is the scatter path of the nominal window and its slopes.
type scatterAt struct {
	fraction, distanceMM   float64
	gap, thickness, gasket float64 // of the logarithm, 1/mm
}

// Least lengths that a draw keeps: no gap and no plate is without one.
const leastMM = 0.01

// NewDrawing prepares a drawing.
func NewDrawing(w Window, t Tolerances) *Drawing {
	d := &Drawing{w: w, t: t}
	for i, face := range []Face{InnerScatter, OuterScatter} {
		of := func(w Window) Path { return scatterOf(w, face) }
		p := of(w)
		d.scatter[i] = scatterAt{fraction: p.Fraction, distanceMM: p.DistanceMM()}
		if p.Fraction == 0 {
			continue
		}
		slope := func(sd float64, move func(*Window, float64)) float64 {
			if sd == 0 {
				return 0
			}
			above, below := w, w
			move(&above, sd)
			move(&below, -sd)
			a, b := of(above).Fraction, of(below).Fraction
			if a == 0 || b == 0 {
				return 0 // the strip cuts it off: no slope tells how
			}
			return math.Log(a/b) / (2 * sd)
		}
		d.scatter[i].gap = slope(min(t.GapMM, w.GapMM/2), func(w *Window, x float64) { w.GapMM += x })
		d.scatter[i].thickness = slope(min(t.ThicknessMM, w.Plate.ThicknessMM/2), func(w *Window, x float64) { w.Plate.ThicknessMM += x })
		if w.GasketMM > 0 {
			d.scatter[i].gasket = slope(min(t.GasketMM, w.GasketMM/2), func(w *Window, x float64) { w.GasketMM += x })
		}
	}
	return d
}

// scatterOf is the scatter of one face alone.
func scatterOf(w Window, face Face) Path {
	for _, p := range w.Leakage() {
		if p.Face == face {
			return p
		}
	}
	return Path{}
}

// Draw gives one window's leakage: the fraction of the emitted power at the
// aperture, and its mean distance in mm.
func (d *Drawing) Draw(r *rand.Rand) (fraction, distanceMM float64) {
	about := func(sd float64) float64 { return sd * r.NormFloat64() }
	w, index := d.w, about(d.t.Index)
	w.GapMM = math.Max(w.GapMM+about(d.t.GapMM), leastMM)
	w.Plate.ThicknessMM = math.Max(w.Plate.ThicknessMM+about(d.t.ThicknessMM), leastMM)
	w.TiltDeg += about(d.t.TiltDeg)
	w.Plate.Index += index
	w.Plate.GroupIndex += index
	if gasket := about(d.t.GasketMM); w.GasketMM > 0 {
		w.GasketMM = math.Max(w.GasketMM+gasket, leastMM)
	}
	w.InnerScatter, w.OuterScatter = 0, 0
	fraction, distanceMM = Total(w.Leakage())
	distanceMM *= fraction
	for _, s := range d.scatter {
		share := s.fraction * r.ExpFloat64() * math.Exp(s.gap*(w.GapMM-d.w.GapMM)+s.thickness*(w.Plate.ThicknessMM-d.w.Plate.ThicknessMM)+s.gasket*(w.GasketMM-d.w.GasketMM))
		fraction += share
		distanceMM += share * s.distanceMM
	}
	if fraction > 0 {
		distanceMM /= fraction
	}
	return fraction, distanceMM
}
