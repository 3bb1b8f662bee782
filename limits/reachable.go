package limits

import (
	"fmt"
	"math"

	"example.org/panecal/limits/quantity"
)

// neverPasses is the share of typical units below which a limit counts as one
// that nothing can pass.
const neverPasses = 1e-6

// reachable reports a limit that nothing can pass: outside what the quantity
// can be, or so far off the typical unit that not one in a million is accepted.
func (r *reader) reachable(l *Limit, report func(problem, mend string)) {
	if possible := possible(l.Name); l.K >= 0 {
		if l.High != nil && *l.High < possible.Low {
			report(fmt.Sprintf("nothing can pass: %s is never below %v", l.Name, possible.Low), fmt.Sprintf("write high = %v or more", possible.Low))
			return
		}
		if l.Low != nil && *l.Low > possible.High {
			report(fmt.Sprintf("nothing can pass: %s is never above %v", l.Name, possible.High), fmt.Sprintf("write low = %v or less", possible.High))
			return
		}
	}
	if p, ok := l.population(); ok && p.u >= 0 && p.sd >= 0 && p.zoneSD >= 0 && p.passing(l.acceptance().closed()) < neverPasses {
		report("nothing can pass: of units as the typical values say not one in a million is accepted", "widen the limit or lower k, or correct typical")
	}
}

// possible is the interval that a quantity cannot leave, whatever the unit.
// Quantities that are differences of counts can: nothing is clamped at zero.
func possible(n quantity.Name) Interval {
	i := Interval{math.Inf(-1), math.Inf(1)}
	switch n {
	case quantity.ZonesDead, quantity.ZonesHot, quantity.OffsetSpread, quantity.OffsetUncertainty, quantity.SeatTilt, quantity.PulseWidth:
		i.Low = 0
	case quantity.SignalRatio:
		i.High = 1
	case quantity.Temperature:
		i.Low = -273.15
	}
	return i
}
