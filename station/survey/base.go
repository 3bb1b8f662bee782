package survey

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"example.org/panecal/limits/quantity"
)

// Spread is what a number is over units.
type Spread struct {
	N       int
	Mean, U float64 // of the product: from so many units, by Student's t
	// SD is from unit to unit. Low to High holds that of all units with 95 %, for
	// units that are normally spread; SDU is a quarter of it. NaN of one unit.
	SD, SDU, Low, High float64
}

// FullSample is how many units tell a spread without its interval.
const FullSample = 30

// Over is the spread of values, one a unit; NaN are left out.
func Over(values []float64) Spread {
	v := slices.DeleteFunc(slices.Clone(values), math.IsNaN)
	s := Spread{N: len(v), Mean: math.NaN(), U: math.NaN(), SD: math.NaN(), SDU: math.NaN(), Low: math.NaN(), High: math.NaN()}
	if s.N == 0 {
		return s
	}
	s.Mean = stat.Mean(v, nil)
	if s.N == 1 {
		return s
	}
	n := float64(s.N)
	s.SD = stat.StdDev(v, nil)
	// ± 2 u holds 95 %, as few units as there are.
	s.U = s.SD / math.Sqrt(n) * distuv.StudentsT{Sigma: 1, Nu: n - 1}.Quantile(0.975) / distuv.UnitNormal.Quantile(0.975)
	chi := distuv.ChiSquared{K: n - 1}
	s.Low, s.High = s.SD*math.Sqrt((n-1)/chi.Quantile(0.975)), s.SD*math.Sqrt((n-1)/chi.Quantile(0.025))
	s.SDU = (s.High - s.Low) / 4
	return s
}

// Base is one quantity over units: of a quantity with zones the mean of a unit's
// zones.
type Base struct {
	Name quantity.Name
	Spread
	MeasuredU float64 // u of a measurement, of one zone where there are zones; the mean over units
	ZoneSD    float64 // from zone to zone of a unit; NaN without zones
}

// BaseValues are those of all quantities that any unit has, in the order of
// their columns.
func BaseValues(sets []quantity.Set) []Base {
	var all []Base
	for _, d := range quantity.All() {
		name := d.Name
		var values, us, within []float64
		for _, s := range sets {
			m, ok := s[name]
			if !ok {
				continue
			}
			if m.Zones == nil {
				values, us = append(values, m.V), append(us, m.U)
				continue
			}
			var zones, zu []float64
			for _, z := range m.Zones {
				if !math.IsNaN(z.V) {
					zones, zu = append(zones, z.V), append(zu, z.U)
				}
			}
			if len(zones) == 0 {
				continue
			}
			values, us = append(values, stat.Mean(zones, nil)), append(us, stat.Mean(zu, nil))
			if len(zones) > 1 {
				within = append(within, stat.Variance(zones, nil))
			}
		}
		b := Base{Name: name, Spread: Over(values), MeasuredU: math.NaN(), ZoneSD: math.NaN()}
		if b.N == 0 {
			continue
		}
		if us = slices.DeleteFunc(us, math.IsNaN); len(us) > 0 {
			b.MeasuredU = stat.Mean(us, nil)
		}
		if len(within) > 0 {
			b.ZoneSD = math.Sqrt(stat.Mean(within, nil))
		}
		all = append(all, b)
	}
	return all
}
