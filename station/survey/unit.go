package survey

import (
	"errors"
	"fmt"
	"math"

	"example.org/panecal/station/estimate"
)

// ErrSurvey is wrapped by every error of this package.
var ErrSurvey = errors.New("survey")

func failf(format string, a ...any) error {
	return fmt.Errorf("%w: %s", ErrSurvey, fmt.Sprintf(format, a...))
}

// Axis is how the units of a product count.
type Axis struct {
	Rows, Cols, Bins int
	BinPS, FirstPS   float64 // width of a bin, left edge of bin 0
	FirstPhoton      bool
}

// Zones returns Rows·Cols.
func (a Axis) Zones() int { return a.Rows * a.Cols }

func (a Axis) edge(b int) float64 { return a.FirstPS + float64(b)*a.BinPS }

// Unit is what was captured of one unit.
type Unit struct {
	Serial  string
	Empty   estimate.Histogram
	Targets []Target
}

// Target is a capture before a flat target at a known distance.
type Target struct {
	Histogram estimate.Histogram
	Reference estimate.Reference
	// The target plane's slope against the unit where it was tilted on purpose,
	// tangents: perpendicular distance grows with ux and uy.
	SlopeX, SlopeY float64
}

// rates are counts per shot of a zone, of photons after pile-up is undone, and
// the shots that were still at risk.
func (a Axis) rates(h estimate.Histogram, z int) (rate, risk []float64) {
	rate, risk = make([]float64, a.Bins), make([]float64, a.Bins)
	left := float64(h.Shots)
	for b, c := range h.Counts[z*a.Bins : (z+1)*a.Bins] {
		n := float64(c)
		risk[b] = left
		rate[b] = n / left
		if a.FirstPhoton {
			if n >= left { // nothing can be said of what comes later
				risk[b], rate[b], left = 0, 0, 0
				continue
			}
			rate[b] = -math.Log1p(-n / left)
			left -= n
		}
	}
	return rate, risk
}

func (a Axis) check(units []Unit) error {
	if len(units) == 0 {
		return failf("no unit was captured")
	}
	for _, u := range units {
		all := []estimate.Histogram{u.Empty}
		for _, t := range u.Targets {
			all = append(all, t.Histogram)
		}
		for _, h := range all {
			if len(h.Counts) != a.Zones()*a.Bins || h.Shots < 1 {
				return failf("unit %s: a capture of %d counts for %d zones of %d bins", u.Serial, len(h.Counts), a.Zones(), a.Bins)
			}
		}
	}
	return nil
}
