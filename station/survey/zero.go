package survey

import (
	"math"

	"gonum.org/v1/gonum/stat"

	"example.org/panecal/station/estimate"
)

// Datum is what the zones tell of the distance from the fixture's reference
// plane to the optical zero, mm: it grows a zone's distance by its ratio of
// radial to perpendicular, a unit's own zero all zones alike. It is a weak
// witness: zones' own zeros hide it, and the window's glass, which is longer for
// zones at the edge, is in it. NaN where no unit tells.
func Datum(units []Unit, p *Pulse, g *estimate.Grid) (mm, u float64) {
	var slopes []float64
	for i, unit := range units {
		sum, n := map[int]float64{}, map[int]float64{}
		for _, r := range p.Returns {
			if r.Unit == i && r.Target >= 0 {
				sum[r.Zone] += r.PS*MMPerPS - sec(g, r.Zone)*unit.Targets[r.Target].Reference.DistanceMM
				n[r.Zone]++
			}
		}
		var x, y []float64
		for z, s := range sum {
			x, y = append(x, sec(g, z)), append(y, s/n[z])
		}
		if len(x) < 4 || stat.Variance(x, nil) < 1e-8 {
			continue
		}
		_, slope := stat.LinearRegression(x, y, nil, false)
		slopes = append(slopes, slope)
	}
	s := Over(slopes)
	if s.N < enough {
		return math.NaN(), math.NaN()
	}
	return s.Mean, s.U
}

// leastWarmer is how much warmer a unit must have become before its offset tells
// a slope, K.
const leastWarmer = 3

// Slope is how the offset changes with temperature, mm/K, from units that stood
// before the target at one distance cold and warm. u holds what units differ by,
// where there are enough of them, else what the distances do. NaN where none
// became warm.
func Slope(units []Unit, p *Pulse, g *estimate.Grid) (mmPerK, u float64, warmed int) {
	var slopes []float64
	var vary float64
	for i, unit := range units {
		mean := make([]float64, len(unit.Targets))
		count := make([]float64, len(unit.Targets))
		for _, r := range p.Returns {
			if r.Unit == i && r.Target >= 0 {
				mean[r.Target] += r.PS*MMPerPS - sec(g, r.Zone)*unit.Targets[r.Target].Reference.DistanceMM
				count[r.Target]++
			}
		}
		cold, warm := -1, -1
		for k, t := range unit.Targets {
			if count[k] == 0 || math.IsNaN(t.Histogram.TempCel) {
				continue
			}
			if cold < 0 || t.Histogram.TempCel < unit.Targets[cold].Histogram.TempCel {
				cold = k
			}
			if warm < 0 || t.Histogram.TempCel > unit.Targets[warm].Histogram.TempCel {
				warm = k
			}
		}
		if cold < 0 || unit.Targets[warm].Histogram.TempCel-unit.Targets[cold].Histogram.TempCel < leastWarmer {
			continue
		}
		dt := unit.Targets[warm].Histogram.TempCel - unit.Targets[cold].Histogram.TempCel
		slopes = append(slopes, (mean[warm]/count[warm]-mean[cold]/count[cold])/dt)
		a, b := unit.Targets[cold].Reference.DistanceUMM, unit.Targets[warm].Reference.DistanceUMM
		vary += (a*a + b*b) / (dt * dt)
	}
	s := Over(slopes)
	switch {
	case s.N == 0:
		return math.NaN(), math.NaN(), 0
	case s.N >= enough:
		return s.Mean, s.U, s.N
	}
	return s.Mean, math.Sqrt(vary) / float64(s.N), s.N
}
