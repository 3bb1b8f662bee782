package station

import (
	"fmt"
	"math"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/estimate"
)

// place is what an attempt knows of where the target stands.
type place struct {
	doubted bool    // the last capture shows the target elsewhere than the sheet says
	shift   float64 // mm, offset of the last capture that could be the target's place as well; NaN: none
}

// doubtPlace takes the target's capture again where the target rather than the
// unit may be off by a distance. Where the capture itself shows the target
// elsewhere, it is bad. Where nothing tells the two apart, an offset out of
// limits is measured once more, after a look at the target's stop: the same
// again is the unit's result, and counts among equal shifts in a row. A unit
// that fails by anything else, a bad seat above all, has that to answer for.
func (m *Machine) doubtPlace(n *nest) bool {
	a, last := n.att.offsets.Apart, n.att.place.shift
	n.att.place = place{shift: math.NaN()}
	shifted, otherwise := m.failing(n)
	switch {
	case otherwise:
	case a.Doubt:
		n.att.place.doubted = true
		m.bad(n, BadPlace, fmt.Sprintf("target %.1f mm from its place, u %.1f mm, by %s", a.MM, a.U, a.How), nil)
		return true
	case a.How == estimate.NotApart && shifted:
		shift := n.att.quantities[quantity.OffsetMean].V
		n.att.place.shift = shift
		if math.Abs(shift-last) <= sameOffsetMM {
			return false
		}
		m.bad(n, BadUnsure, fmt.Sprintf("offset.mean %.1f mm, of the unit or of the target's place", shift), nil)
		return true
	}
	return false
}

// placeTime is how long hands have to see to the target's stop before the
// capture is taken again as the target stands.
func (m *Machine) placeTime() time.Duration {
	const most = 10 * time.Second
	if m.cfg.HandsTime > 0 {
		return min(most, m.cfg.HandsTime/2)
	}
	return most
}

// shifted returns by how much the attempt's target may have stood elsewhere:
// as the capture showed to the end, or as the offset says that nothing told
// from it.
func (n *nest) shifted() (mm float64, ok bool) {
	if n.sheet.EndStop || n.att.offsets == nil {
		return 0, false
	}
	a := n.att.offsets.Apart
	switch {
	case n.att.place.doubted && n.outcome() != Passed && n.att.code != FailedLimits:
		return a.MM, true
	case n.att.code == FailedLimits && n.att.result.Decided == quantity.OffsetMean && a.How != estimate.ByLeakage && a.How != estimate.ByCurvature:
		o, ok := n.att.quantities[quantity.OffsetMean]
		return o.V, ok
	}
	return 0, false
}
