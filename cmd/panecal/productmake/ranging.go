package productmake

import (
	"fmt"
	"math"

	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/survey"
)

// zeroSD is how far zeros of units may lie beyond those seen, mm (common
// practice, no source).
const zeroSD = 5

func (w *work) ranging(id protocol.Identity, histograms bool) {
	d := w.draft
	w.datum()
	corrects, ranging := estimate.CorrectsStation, estimate.RangingPulse
	if !histograms {
		corrects, ranging = estimate.CorrectsUnit, estimate.RangingMean
	}
	w.wanting("range.corrects", corrects, "whose range the stored offset corrects is in the firmware's description: station or unit")
	offsets := estimate.OffsetsZones
	if id.Zones() == 1 {
		offsets = estimate.OffsetsOne
	}
	w.wanting("range.offsets", offsets, "whether the unit stores one offset or one a zone is in the firmware's description")
	w.wanting("range.tilt", estimate.TiltFixture, "whether seating tilt is the fixture's or the unit's is a decision")
	w.wanting("range.ranging", ranging, "how the unit ranges is in the firmware's description: pulse or mean")
	farthest := 0.0
	for _, s := range w.specimens {
		for _, l := range s.lines {
			farthest = max(farthest, l.DistanceMM)
		}
	}
	w.wanting("range.working_mm", []float64{farthest}, "at what distances the product is used stands in its requirement")
	w.wanting("range.leakage_change", 0.2, "by how much leakage may change in use stands in the product's requirement")
	w.wanting("temperature.reference_cel", 25.0, "the temperature that offsets are referred to is a decision")
	w.slope()
	if !d.says("requirement") {
		w.answer.undetermined("requirement", "what the product promises of its range stands in its requirement")
	}
}

// datum is the documents', unless the zones tell it better: units' own zeros
// hide it.
func (w *work) datum() {
	mm, u := math.NaN(), math.NaN()
	if w.pulse != nil && w.grid != nil {
		mm, u = survey.Datum(w.units, w.pulse, w.grid)
	}
	v, drawn := w.draft.number("range.datum_mm")
	switch {
	case drawn && !(u < w.datumU):
		w.draft.put("range.datum_mm", nil, "")
		w.draft.why["range.datum_mm"] = fmt.Sprintf("documents, u %.2g", w.datumU)
		w.answer.determined("range.datum_mm", v, w.datumU, "mm")
	case u < w.datumU:
		w.draft.set("range.datum_mm", mm, fmt.Sprintf("measured, u %.2g", u))
		w.answer.determined("range.datum_mm", mm, u, "mm")
	default:
		why := "a unit's own zero cannot be told from the distance of its reference plane: the drawing says it"
		if !math.IsNaN(u) {
			why += fmt.Sprintf(" (the zones tell %.1f mm, u %.1f)", mm, u)
		}
		w.wanting("range.datum_mm", 0.0, why)
	}
}

// slope is that of the offset with temperature.
func (w *work) slope() {
	const key = "temperature.coefficient_mm_per_k"
	if w.draft.says(key) {
		return
	}
	if w.pulse != nil && w.grid != nil {
		if k, u, n := survey.Slope(w.units, w.pulse, w.grid); n > 0 {
			w.answer.determined(key, k, u, "mm/K")
			w.draft.set(key, k, fmt.Sprintf("measured on %d units that warmed, u %.2g", n, u))
			w.draft.set("temperature.coefficient_u_mm_per_k", u, "")
			return
		}
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, s := range w.specimens {
		for _, t := range append([]shot{s.empty}, s.targets...) {
			low, high = min(low, t.temp), max(high, t.temp)
		}
	}
	w.answer.undetermined(key, "no unit was measured at one distance cold and then 3 K warmer (units were at %.1f to %.1f Cel)", low, high)
}
