package estimate

import (
	"errors"
	"fmt"
	"math"
)

// Grid gives the zones: row-major, row 0 on top, column 0 on the left. Zone z
// looks along (Ux[z], Uy[z], 1), so a plane at perpendicular distance D is
// D·sqrt(1+Ux²+Uy²) away along it. The directions are effective ones: of the
// signal-weighted mean of the zone, not of its centre.
type Grid struct {
	Rows, Cols int
	Ux, Uy     []float64
	// Sec is each zone's radial over perpendicular distance of a plane square
	// to the unit, nil where the directions give it. They cannot for a zone
	// about the axis: its middle looks straight ahead, its mean does not.
	Sec []float64
	// SecU is the standard uncertainty of Sec from what is not known of the
	// signal's spread over a zone; nil for none. It is common to all zones,
	// so that it has a sign.
	SecU []float64
}

// Zones returns Rows·Cols.
func (g Grid) Zones() int { return g.Rows * g.Cols }

func (g Grid) sec(z int) float64 {
	if g.Sec != nil {
		return g.Sec[z]
	}
	return math.Sqrt(1 + g.Ux[z]*g.Ux[z] + g.Uy[z]*g.Uy[z])
}

// Pulse is the product's pulse: detected density in time at StartPS +
// i·StepPS, linear between the points, zero outside them, in any scale (it is
// normalised by its integral). A return of delay τ is the pulse moved by τ.
type Pulse struct {
	StartPS, StepPS float64
	Density         []float64
}

// PileUp says how a detector behaves when several photons arrive in a shot.
type PileUp string

// The kinds of pile-up. A FirstPhoton unit records at most one photon a shot,
// the first.
const (
	NoPileUp    PileUp = "none"
	FirstPhoton PileUp = "first-photon"
)

// Choices of a product: whose range the stored offset corrects, what is
// stored, whom the seating tilt belongs to, how the unit ranges.
const (
	CorrectsStation = "station"
	CorrectsUnit    = "unit"
	OffsetsOne      = "one"
	OffsetsZones    = "zones"
	TiltFixture     = "fixture"
	TiltUnit        = "unit"
	RangingMean     = "mean"
	RangingPulse    = "pulse"
)

// Checks holds the thresholds that make a capture bad rather than the unit. A
// zero field means its default.
type Checks struct {
	FamilyWise   float64 // chance that a clean capture is accused by one check; default 0.001
	FrameExcess  float64 // allowed excess relative sd between frames; default 0.01
	ChangeSigmas float64 // allowed |g − 1| in units of the stated u of g; default 4
	MaxDeadHot   int     // zones that may be dead, and that may be hot; default 2, below 0: none
	AmbientMax   float64 // highest ambient, count per shot per bin; 0 = not checked
	CountMax     uint32  // a count this high is saturated; 0 = not stated: counts that pile up at their own maximum are
	PulseWidth   float64 // relative sd of the unit's pulse width about the product's; default 0.03, below 0: none
	BinWidth     float64 // relative sd of a bin's width; default 0.02, below 0: none
	Multipath    float64 // relative signal that may arrive late beside the direct one; default 0.005, below 0: none
	TargetShare  float64 // share of the live zones that must see the target; default 0.9, below 0: none
	ZoneSpreadMM float64 // sd of the zones' offsets by nature; default 10
	TellApartMM  float64 // largest u at which an offset counts as told apart from a wrong target distance; default 3
}

func (c Checks) withDefaults() Checks {
	def := func(v *float64, d float64) {
		switch {
		case *v == 0:
			*v = d
		case *v < 0:
			*v = 0
		}
	}
	def(&c.FamilyWise, 0.001)
	def(&c.FrameExcess, 0.01)
	def(&c.ChangeSigmas, 4)
	def(&c.PulseWidth, 0.03)
	def(&c.BinWidth, 0.02)
	def(&c.Multipath, 0.005)
	def(&c.TargetShare, 0.9)
	def(&c.ZoneSpreadMM, 10)
	def(&c.TellApartMM, 3)
	switch {
	case c.MaxDeadHot == 0:
		c.MaxDeadHot = 2
	case c.MaxDeadHot < 0:
		c.MaxDeadHot = 0
	}
	return c
}

// Terms are the parts of the offset's uncertainty that no capture shows and
// the product states, as standard uncertainties. A zero leaves its line out.
type Terms struct {
	LeakageChangeU float64 // relative, of g, the change of leakage between the captures; 0 = g is exactly 1
	DirectionU     float64 // rad, of the scale of the zone directions, common to all zones
	TempCoeff      float64 // mm/K, change of the offset with temperature
	TempCoeffU     float64 // mm/K
	TempU          float64 // K, of the temperature the unit reports
	TempRefCel     float64 // Cel, the temperature that offsets are referred to
	PulseShapeMM   float64 // mm, from the unit's pulse shape, beyond its width (Checks.PulseWidth)
	BinWidth       float64 // relative sd of a bin's width, independent from bin to bin (differential non-linearity)
	BinEdgePS      float64 // ps, sd of a bin's place, from widths that add up along the axis (integral non-linearity)
	TimeBase       float64 // relative, of the clock that the bins are counted with
	MultipathShare float64 // relative signal that arrives late by a path beside the direct one
	UnseenShare    float64 // relative signal that a second return may have where the captures would not show it
	QuantisationMM float64 // mm, step of the stored offset
}

// Setup is what a product fixes. Strings take the constants of this package;
// an empty one means the first of its kind: "none", "station", "one",
// "fixture", "pulse".
type Setup struct {
	Grid                Grid
	Bins                int
	BinPS, FirstBinPS   float64   // nominal width of a bin, left edge of bin 0
	BinWidthsPS         []float64 // of each bin, where known; nil: all are BinPS
	UnitBinWidths       bool      // the unit ranges with BinWidthsPS too; else they serve the projection alone
	PileUp              PileUp
	LeakageWindowPS     [2]float64 // the reported leakage is the sum over bins wholly inside
	Pulse               Pulse
	DatumMM             float64 // added to the target's perpendicular distance
	Checks              Checks
	Corrects            string
	Offsets             string
	Tilt                string
	Ranging             string
	Budget              Terms
	WorkingMM           []float64 // perpendicular distances of the projection
	LeakageChangeStated float64   // relative change of leakage that the projection assumes, +0.5 = half as much again
}

// ErrSetup is wrapped by every error of New.
var ErrSetup = errors.New("setup")

func (s Setup) validate() error {
	fail := func(format string, a ...any) error {
		return fmt.Errorf("%w: %s", ErrSetup, fmt.Sprintf(format, a...))
	}
	n := s.Grid.Zones()
	switch {
	case s.Grid.Rows < 1 || s.Grid.Cols < 1 || n > MaxZones:
		return fail("grid of %d x %d zones", s.Grid.Rows, s.Grid.Cols)
	case len(s.Grid.Ux) != n || len(s.Grid.Uy) != n:
		return fail("%d zones with %d and %d directions", n, len(s.Grid.Ux), len(s.Grid.Uy))
	case s.Grid.Sec != nil && len(s.Grid.Sec) != n || s.Grid.SecU != nil && len(s.Grid.SecU) != n:
		return fail("%d zones with %d ratios of radial to perpendicular distance and %d uncertainties", n, len(s.Grid.Sec), len(s.Grid.SecU))
	case s.Bins < 4 || s.Bins > MaxBins:
		return fail("%d bins, want 4 to %d", s.Bins, MaxBins)
	case !(s.BinPS >= LeastPS && s.BinPS <= MostPS && math.Abs(s.FirstBinPS) <= MostPS):
		return fail("bins of %g ps from %g ps", s.BinPS, s.FirstBinPS)
	case s.BinWidthsPS != nil && len(s.BinWidthsPS) != s.Bins:
		return fail("%d widths for %d bins", len(s.BinWidthsPS), s.Bins)
	case !finite(s.LeakageWindowPS[0], s.LeakageWindowPS[1]) || s.LeakageWindowPS[0] >= s.LeakageWindowPS[1]:
		return fail("leakage window %g to %g ps is empty", s.LeakageWindowPS[0], s.LeakageWindowPS[1])
	case !finite(s.DatumMM):
		return fail("datum %g mm", s.DatumMM)
	}
	for b, w := range s.BinWidthsPS {
		if !(w >= LeastWidth*s.BinPS && w <= MostWidth*s.BinPS) {
			return fail("bin %d is %g ps wide, want %g to %g times %g ps", b, w, LeastWidth, MostWidth, s.BinPS)
		}
	}
	for z := range n {
		if !finite(s.Grid.Ux[z], s.Grid.Uy[z]) || math.Hypot(s.Grid.Ux[z], s.Grid.Uy[z]) > MostSlope {
			return fail("zone %d looks along (%g, %g)", z, s.Grid.Ux[z], s.Grid.Uy[z])
		}
		if s.Grid.Sec != nil && !(s.Grid.Sec[z] >= 1 && s.Grid.Sec[z] < 200) {
			return fail("zone %d sees a plane at %g times its perpendicular distance", z, s.Grid.Sec[z])
		}
		if s.Grid.SecU != nil && !(math.Abs(s.Grid.SecU[z]) < 1) {
			return fail("zone %d: uncertainty %g of radial over perpendicular distance", z, s.Grid.SecU[z])
		}
	}
	choice := func(what, v string, ok ...string) error {
		for _, o := range ok {
			if v == o {
				return nil
			}
		}
		return fail("%s %q, want one of %q", what, v, ok)
	}
	b, c := s.Budget, s.Checks
	if !nonNegative(b.LeakageChangeU, b.DirectionU, b.TempCoeffU, b.TempU, b.PulseShapeMM, b.BinWidth, b.BinEdgePS, b.TimeBase, b.MultipathShare, b.UnseenShare, b.QuantisationMM, c.AmbientMax) || !finite(b.TempCoeff, b.TempRefCel, c.FamilyWise, c.FrameExcess, c.ChangeSigmas, c.PulseWidth, c.BinWidth, c.Multipath, c.TargetShare, c.ZoneSpreadMM, c.TellApartMM) {
		return fail("a stated uncertainty or threshold is negative or not a number")
	}
	if c.FamilyWise >= 1 {
		return fail("family-wise chance %g, want below 1", c.FamilyWise)
	}
	if !finite(s.LeakageChangeStated) || s.LeakageChangeStated < -1 {
		return fail("stated leakage change %g", s.LeakageChangeStated)
	}
	for _, d := range s.WorkingMM {
		if !(d > 0) || !finite(d) {
			return fail("working distance %g mm", d)
		}
	}
	return errors.Join(
		choice("pile-up", string(s.PileUp), string(NoPileUp), string(FirstPhoton)),
		choice("corrects", s.Corrects, CorrectsStation, CorrectsUnit),
		choice("offsets", s.Offsets, OffsetsOne, OffsetsZones),
		choice("tilt", s.Tilt, TiltFixture, TiltUnit),
		choice("ranging", s.Ranging, RangingPulse, RangingMean),
	)
}

func (s Setup) withDefaults() Setup {
	def := func(v *string, d string) {
		if *v == "" {
			*v = d
		}
	}
	if s.PileUp == "" {
		s.PileUp = NoPileUp
	}
	def(&s.Corrects, CorrectsStation)
	def(&s.Offsets, OffsetsOne)
	def(&s.Tilt, TiltFixture)
	def(&s.Ranging, RangingPulse)
	s.Checks = s.Checks.withDefaults()
	return s
}

// What no product exceeds; whatever is larger is refused.
const (
	MaxZones  = 1 << 14
	MaxBins   = 1 << 14
	MaxShots  = 1 << 50
	LeastPS   = 1e-3 // a bin, a step of the pulse's table
	MostPS    = 1e9  // a millisecond: no axis goes further
	MostSlope = 100  // of a zone's direction against the axis

	// A bin is this much of the nominal one: less is a code that is missing.
	LeastWidth, MostWidth = 0.2, 5.0
)

func finite(vs ...float64) bool {
	for _, v := range vs {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

func nonNegative(vs ...float64) bool {
	for _, v := range vs {
		if !(v >= 0) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
