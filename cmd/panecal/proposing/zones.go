package proposing

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"example.org/panecal/limits"
	"example.org/panecal/limits/study"
	"example.org/panecal/limits/whatif"
)

// usualZones takes typical values of zones from records. From zone to zone it takes
// the standard deviation whose worst of so many zones is as far from a unit's mean as
// the middle unit's, less what the measurement adds: forecasts ask for the worst.
func (q *screened) usualZones(l limits.Limit, units []whatif.Unit, o study.ScreeningOptions) error {
	if !l.Zoned || l.Typical == nil {
		return nil
	}
	var means, us, spreads []float64
	for _, unit := range units {
		var v []float64
		sum := 0.0
		for _, z := range unit.Set[l.Name].Zones {
			if !math.IsNaN(z.V) {
				v = append(v, z.V)
				sum += z.V
			}
			if !math.IsNaN(z.U) {
				us = append(us, z.U)
			}
		}
		if len(v) == 0 {
			continue
		}
		n := float64(len(v))
		mean := sum / n
		means = append(means, mean)
		if len(v) < 2 {
			continue
		}
		reach := math.Inf(-1)
		if l.High != nil {
			reach = slices.Max(v) - mean
		}
		if l.Low != nil {
			reach = max(reach, mean-slices.Min(v))
		}
		// The largest of n (G. Blom, Statistical Estimates, 1958).
		spreads = append(spreads, reach/distuv.UnitNormal.Quantile((n-0.375)/(n+0.25)))
	}
	if len(means) < 2 {
		return nil
	}
	s, err := study.Screen(study.NewSample(means), true, o)
	if err != nil {
		return err
	}
	median := func(x []float64) float64 {
		slices.Sort(x)
		return (x[(len(x)-1)/2] + x[len(x)/2]) / 2
	}
	round := func(v float64) *float64 { x := outward(v, true); return &x }
	q.typical = round(float64(s.Median))
	u := 0.0
	if len(us) > 0 {
		u = median(us)
	}
	if l.TypicalU != nil && len(us) > 0 {
		q.typicalU = round(u)
	}
	if l.TypicalSD != nil {
		q.typicalSD = round(float64(s.RobustSD))
	}
	if l.TypicalZoneSD != nil && len(spreads) > 0 {
		spread := median(spreads)
		q.typicalZone = round(math.Sqrt(max(0, spread*spread-u*u)))
	}
	return nil
}
