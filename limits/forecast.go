package limits

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// population is what a limit's typical values say of units. The true value of
// a zone is mean + unit + zone, where unit, with standard deviation sd, is
// common to the zones of one unit, and zone, with zoneSD, is its own; both
// normal. Each zone is measured with normal error of standard uncertainty u.
// A quantity without zones has one.
type population struct {
	mean, sd, zoneSD, u float64
	zones               int
}

// forecast is in shares of all units. A unit conforms if all its zones do, and
// fails if one is measured outside the acceptance limits.
type forecast struct{ conforming, fail, falseReject, falseAccept float64 }

// in works out what the population does under a pair of limits. Given the
// unit term the zones are independent, so that shares of units are powers of
// shares of zones; these are integrated over the unit term.
func (p population) in(spec, accept Interval) forecast {
	var f forecast
	p.integrate(accept, func(weight float64, zones distuv.Normal) {
		good, accepted, both := p.zone(zones, spec, accept)
		good, accepted, both = p.all(good), p.all(accepted), p.all(both)
		f.conforming += weight * good
		f.fail += weight * (1 - accepted)
		f.falseReject += weight * max(good-both, 0)
		f.falseAccept += weight * max(accepted-both, 0)
	})
	return f
}

// passing is the share of units that are accepted.
func (p population) passing(accept Interval) float64 {
	share := 0.0
	p.integrate(accept, func(weight float64, zones distuv.Normal) {
		share += weight * p.all(accept.inside(zones.Mu, math.Hypot(zones.Sigma, p.u)))
	})
	return share
}

func (p population) all(share float64) float64 { return math.Pow(share, float64(p.zones)) }

// zone gives the shares of zones that conform, that are accepted, and both.
func (p population) zone(zones distuv.Normal, spec, accept Interval) (good, accepted, both float64) {
	if zones.Sigma > 0 {
		_, reject := Risk(zones, p.u, spec, accept)
		good = spec.inside(zones.Mu, zones.Sigma)
		return good, accept.inside(zones.Mu, math.Hypot(zones.Sigma, p.u)), good - reject
	}
	good, accepted = spec.inside(zones.Mu, 0), accept.inside(zones.Mu, p.u)
	return good, accepted, good * accepted
}

// integrate calls f with the zones of units, and the weight of such units.
func (p population) integrate(accept Interval, f func(weight float64, zones distuv.Normal)) {
	if !(p.sd > 0) {
		f(1, distuv.Normal{Mu: p.mean, Sigma: p.zoneSD})
		return
	}
	const widest, nodes = 8.0, 12
	points := []float64{}
	for z := -widest; z <= widest; z++ {
		points = append(points, p.mean+z*p.sd)
	}
	// A unit turns from passing to failing within a few standard deviations
	// of its zones, where its worst zone reaches the limit.
	width := math.Hypot(p.zoneSD, p.u)
	for z := -9.0; z <= 9; z++ {
		points = append(points, accept.Low+z*width, accept.High+z*width)
	}
	first, last := p.mean-widest*p.sd, p.mean+widest*p.sd
	points = slices.DeleteFunc(points, func(x float64) bool { return !(x >= first && x <= last) })
	slices.Sort(points)
	points = slices.Compact(points)
	units := distuv.Normal{Mu: p.mean, Sigma: p.sd}
	x, w := make([]float64, nodes), make([]float64, nodes)
	for i := 1; i < len(points); i++ {
		quad.Legendre{}.FixedLocations(x, w, points[i-1], points[i])
		for j := range x {
			f(w[j]*units.Prob(x[j]), distuv.Normal{Mu: x[j], Sigma: p.zoneSD})
		}
	}
}

// population says what the typical values of a limit say, false where they do
// not say enough. In a file that names no number of zones, a quantity with
// zones is taken as one value.
func (l *Limit) population() (population, bool) {
	if l.Typical == nil || l.TypicalU == nil {
		return population{}, false
	}
	p := population{mean: *l.Typical, u: *l.TypicalU, zones: 1}
	if l.TypicalSD != nil {
		p.sd = *l.TypicalSD
	}
	if l.Zones > 0 {
		p.zones = l.Zones
		if l.TypicalZoneSD != nil {
			p.zoneSD = *l.TypicalZoneSD
		}
	}
	return p, true
}

// acceptance gives the specification limits less the guard bands of a typical
// measurement; NaN where a side is open.
func (l *Limit) acceptance() Interval {
	guard := 0.0
	if l.K != 0 {
		guard = l.K * bound(l.TypicalU)
	}
	return Interval{bound(l.Low) + guard, bound(l.High) - guard}
}
