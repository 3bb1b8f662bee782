package estimate

import (
	"math"

	"example.org/panecal/limits/quantity"
)

// Ways to tell a wrong target distance from an offset common to all zones.
const (
	ByEndStop   = "end stop"
	ByLeakage   = "leakage delay"
	ByCurvature = "zone curvature"
	NotApart    = "not told apart"
)

// Apart says whether an offset common to all zones can be a target in the
// wrong place. The fixture's end stop decides; else the leakage, which shares
// the unit's offset but not the target; else the zones' distances, which grow
// with the target's but not with an offset. MM is the error of the target's
// distance that the way sees, U its standard uncertainty (the stated one of
// the distance left out), both NaN for the end stop and where no way is good
// enough. Doubt is set where MM is out of what both uncertainties allow.
type Apart struct {
	How   string
	MM, U float64
	Doubt bool
}

// The leakage's path through a window is 1 to 5 mm long as a distance, by its
// geometry; anything between is equally good.
const leakagePathMM, leakagePathU = 3.0, 2 / 1.7320508075688772

// tellApart needs offset.mean, leakage.distance and the ranges.
func (e *Estimator) tellApart(l *Leakage, o *Offsets, free planeFit, own float64) Apart {
	a := Apart{How: NotApart, MM: math.NaN(), U: math.NaN()}
	if o.Reference.EndStop {
		a.How = ByEndStop
		return a
	}
	limit := e.setup.Checks.TellApartMM
	mean, ok := o.Quantities[quantity.OffsetMean]
	leak, ok2 := l.Quantities[quantity.LeakageDistance]
	if ok && ok2 {
		if u := math.Hypot(math.Hypot(own, leak.U), leakagePathU); u <= limit {
			a.How, a.MM, a.U = ByLeakage, mean.V-leak.V+leakagePathMM, u
		}
	}
	if a.How == NotApart && free.ok {
		if u := math.Sqrt(free.cov[3][3]); u <= limit {
			a.How, a.MM, a.U = ByCurvature, free.x[3]-o.Reference.DistanceMM-e.setup.DatumMM, u
		}
	}
	a.Doubt = a.How != NotApart && math.Abs(a.MM) > 4*math.Hypot(a.U, o.Reference.DistanceUMM)
	return a
}
