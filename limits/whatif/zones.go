package whatif

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
)

// zoneEffect works a quantity with zones out in one nest. What was found in a
// zone is the zone's mean over the units, what the unit has more than others,
// and the rest; each but the first is drawn towards 0 by what its own
// uncertainty explains.
func zoneEffect(l *limits.Limit, units [][]quantity.Value, k float64) effect {
	low, high := sides(l)
	zones := 0
	for _, u := range units {
		zones = max(zones, len(u))
	}
	mean, n := make([]float64, zones), make([]float64, zones)
	for _, u := range units {
		for z, v := range u {
			if !math.IsNaN(v.V) {
				mean[z] += v.V
				n[z]++
			}
		}
	}
	for z := range mean {
		mean[z] /= max(n[z], 1)
	}
	more := make([]float64, len(units)) // of each unit
	var rest, own, count, unitVariance, unitOwn float64
	for i, u := range units {
		m, o, c := 0.0, 0.0, 0.0
		for z, v := range u {
			if !math.IsNaN(v.V) {
				m += v.V - mean[z]
				if w := v.Own(); w == w {
					o += w * w
				}
				c++
			}
		}
		if c == 0 {
			continue
		}
		more[i] = m / c
		for z, v := range u {
			if !math.IsNaN(v.V) {
				d := v.V - mean[z] - more[i]
				rest += d * d
			}
		}
		own += o
		count += c
		unitVariance += more[i] * more[i]
		unitOwn += o / (c * c)
	}
	all := float64(len(units))
	freedom := max(1, count-all-float64(zones)+1) // of the rest, after a mean a zone and one a unit
	restVariance, zoneOwn := rest/freedom, own/max(count, 1)
	if zones == 1 {
		restVariance, zoneOwn = 0, 0
	}
	unitVariance /= max(1, all-1)
	unitOwn /= max(1, all)
	toward := func(variance, own float64) (float64, bool) {
		if variance == 0 && own == 0 {
			return 1, true
		}
		if variance > own {
			return math.Sqrt((variance - own) / variance), true
		}
		return 0, false
	}
	zoneShrink, resolvedZone := toward(restVariance, zoneOwn)
	unitShrink, resolvedUnit := toward(unitVariance, unitOwn)
	run := func(unitShrink, zoneShrink float64) (s sums) {
		for i, u := range units {
			at := func(z int) float64 { return mean[z] + unitShrink*more[i] + zoneShrink*(u[z].V-mean[z]-more[i]) }
			accepted, common := 1.0, 0.0
			for z, v := range u {
				if math.IsNaN(v.V) {
					continue
				}
				w := v.U
				if w != w {
					w = 0
				}
				accepted *= inside(at(z), v.Own(), low+k*w, high-k*w)
				common = max(common, v.Common)
			}
			good, shifts := 0.0, shiftsOf(common)
			for _, shift := range shifts {
				all := 1.0
				for z, v := range u {
					if !math.IsNaN(v.V) {
						all *= inside(at(z)-shift, 0, low, high)
					}
				}
				good += all / float64(len(shifts))
			}
			s.unit(good, accepted, good*accepted)
		}
		return s
	}
	e := effect{is: run(unitShrink, zoneShrink), resolved: resolvedZone && resolvedUnit}
	e.is.widen(unitShrink)
	if e.widest = e.is; !e.resolved {
		e.widest = run(1, 1)
	}
	return e
}

// shiftsOf are equally likely errors of a nest with that standard uncertainty.
func shiftsOf(common float64) []float64 {
	if !(common > 0) {
		return []float64{0}
	}
	const n = 16
	out := make([]float64, n)
	for i := range out {
		out[i] = common * distuv.UnitNormal.Quantile((float64(i)+0.5)/n)
	}
	return out
}
