package causes

import (
	"math"
	"slices"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/cause"
	"example.org/panecal/store/record"
)

// evidenceOf is what zones and quantities of one attempt say. Drift within the
// empty capture and the check units are for the caller to add.
func evidenceOf(z record.Zones, set quantity.Set) cause.Evidence {
	value := func(n quantity.Name) float64 {
		m, ok := set[n]
		if !ok {
			return math.NaN()
		}
		return m.V
	}
	e := cause.Evidence{Rows: z.Rows, Cols: z.Cols, Leakage: sound(z.Leakage, z.Flags), Signal: sound(z.Signal, z.Flags), Ambient: sound(z.Ambient, z.Flags),
		LeakageMM: value(quantity.LeakageDistance), OffsetMM: value(quantity.OffsetMean), PulsePS: value(quantity.PulseWidth), Late: value(quantity.LeakageLate),
		Change: value(quantity.LeakageChange), TiltDeg: value(quantity.SeatTilt), Stray: value(quantity.StraySignificance), Misfit: value(quantity.TargetMisfit),
		Spread: value(quantity.OffsetSpread), Broken: value(quantity.ZonesDead) + value(quantity.ZonesHot), Drift: math.NaN(), ChecksMM: math.NaN(),
		VerifyMM: math.NaN(), VerifySpread: math.NaN()}
	n, sum := 0.0, 0.0
	for _, v := range z.VerifyMM {
		if !math.IsNaN(v) {
			n, sum = n+1, sum+v
		}
	}
	if n > 0 {
		e.VerifyMM = sum / n
	}
	if n > 1 {
		square := 0.0
		for _, v := range z.VerifyMM {
			if !math.IsNaN(v) {
				square += (v - e.VerifyMM) * (v - e.VerifyMM)
			}
		}
		e.VerifySpread = math.Sqrt(square / (n - 1))
	}
	return e
}

// sound is a list of zones without those that count nothing or far too much.
func sound(zones []float64, flags [][]string) []float64 {
	out := slices.Clone(zones)
	for i := range out {
		if i < len(flags) && (slices.Contains(flags[i], "dead") || slices.Contains(flags[i], "hot")) {
			out[i] = math.NaN()
		}
	}
	return out
}

// driftOf is the relative change of all counts over a capture, from the line
// through the totals of its frames; NaN for fewer than three.
func driftOf(frames [][]uint32) float64 {
	n := float64(len(frames))
	if n < 3 {
		return math.NaN()
	}
	var sum, slope, square float64
	for i, frame := range frames {
		total := 0.0
		for _, c := range frame {
			total += float64(c)
		}
		x := (float64(i) + 0.5) / n
		sum += total
		slope += (x - 0.5) * total
		square += (x - 0.5) * (x - 0.5)
	}
	if sum == 0 {
		return math.NaN()
	}
	return slope / square / (sum / n)
}
