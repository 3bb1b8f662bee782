package product

import (
	"fmt"
	"math"
	"strconv"

	"example.org/panecal/station/estimate"
)

// setup makes what the estimator needs.
func (r reader) setup(t *productTable) (estimate.Setup, *Field) {
	grid, field := r.grid(t.Grid)
	s := estimate.Setup{
		Grid: grid, Bins: t.Bins.Count, BinPS: t.Bins.WidthPS, FirstBinPS: t.Bins.FirstPS,
		PileUp:  estimate.PileUp(t.Bins.PileUp),
		Pulse:   estimate.Pulse{StartPS: t.Pulse.StartPS, StepPS: t.Pulse.StepPS, Density: t.Pulse.Density},
		DatumMM: t.Range.DatumMM, Corrects: t.Range.Corrects, Offsets: t.Range.Offsets, Tilt: t.Range.Tilt, Ranging: t.Range.Ranging,
		WorkingMM: t.Range.WorkingMM, LeakageChangeStated: *t.Range.LeakageChange,
		Checks: r.checks(t),
		Budget: estimate.Terms{
			LeakageChangeU: t.Budget.LeakageChangeU, DirectionU: t.Budget.DirectionURad,
			TempCoeff: t.Temperature.CoefficientMMPerK, TempCoeffU: t.Temperature.CoefficientUMMPerK,
			TempU: t.Temperature.UK, TempRefCel: *t.Temperature.ReferenceCel,
			PulseShapeMM: t.Budget.PulseShapeMM, MultipathShare: t.Budget.MultipathShare, UnseenShare: t.Budget.UnseenShare, QuantisationMM: t.Budget.QuantisationMM,
			BinEdgePS: t.Spread.BinEdgePS, TimeBase: t.Budget.TimeBase,
		},
	}
	if t.Spread.BinWidth != nil {
		s.Budget.BinWidth = *t.Spread.BinWidth
	}
	r.bins(t.Bins, &s)
	r.pulse(t.Pulse)
	r.ranging(t)
	for _, u := range []struct {
		v          float64
		table, key string
	}{
		{t.Budget.LeakageChangeU, "budget", "leakage_change_u"}, {t.Budget.DirectionURad, "budget", "direction_u_rad"},
		{t.Budget.PulseShapeMM, "budget", "pulse_shape_mm"}, {t.Budget.MultipathShare, "budget", "multipath_share"}, {t.Budget.UnseenShare, "budget", "unseen_share"},
		{t.Budget.QuantisationMM, "budget", "quantisation_mm"}, {t.Budget.TimeBase, "budget", "time_base"},
		{t.Spread.BinEdgePS, "spread", "bin_edge_ps"}, {t.Temperature.CoefficientUMMPerK, "temperature", "coefficient_u_mm_per_k"},
		{t.Temperature.UK, "temperature", "u_k"},
	} {
		if u.v < 0 {
			r.d.Report(u.key+" is negative", "write a standard uncertainty, 0 or more", u.table, u.key)
		}
	}
	return s, field
}

func (r reader) grid(t gridTable) (estimate.Grid, *Field) {
	g := estimate.Grid{Rows: t.Rows, Cols: t.Cols, Ux: t.Ux, Uy: t.Uy}
	var f *Field
	const most = 1 << 14
	if t.Rows < 1 || t.Cols < 1 || t.Rows > most || t.Cols > most || t.Rows*t.Cols > most {
		r.d.Report(fmt.Sprintf("%d rows of %d zones are no grid", t.Rows, t.Cols), fmt.Sprintf("write rows and cols from 1, at most %d zones", most), "grid")
		return g, nil
	}
	explicit := r.d.Has("grid", "ux") || r.d.Has("grid", "uy")
	rule := r.d.Has("grid", "fov_x_deg") || r.d.Has("grid", "fov_y_deg") || r.d.Has("grid", "spacing")
	switch {
	case explicit && rule:
		r.d.Report("the directions are given twice", "keep ux and uy, or fov_x_deg, fov_y_deg and spacing", "grid")
	case explicit:
		r.directions(g)
		if r.d.Has("grid", "falloff_power") {
			r.d.Report("falloff_power beside directions that are given", "take it out: directions are effective, the signal's spread over a zone is in them", "grid", "falloff_power")
		}
	case rule:
		f = r.field(t, &g)
	default:
		r.d.Report("the zones have no directions", "add ux and uy (tangents, row-major), or fov_x_deg, fov_y_deg and spacing", "grid")
	}
	return g, f
}

func (r reader) directions(g estimate.Grid) {
	for _, u := range []struct {
		key string
		v   []float64
	}{{"ux", g.Ux}, {"uy", g.Uy}} {
		if len(u.v) != g.Zones() {
			r.d.Report(fmt.Sprintf("%s has %d numbers for %d zones", u.key, len(u.v), g.Zones()), "write one tangent a zone, row by row", "grid", u.key)
			continue
		}
		for i, v := range u.v {
			if math.Abs(v) > 50 {
				r.d.Report(fmt.Sprintf("%s of zone %d is %v", u.key, i, v), "write the tangent of the direction, not degrees", "grid", u.key, strconv.Itoa(i))
			}
		}
	}
}

func (r reader) bins(t binsTable, s *estimate.Setup) {
	if t.Count < 4 || t.Count > 1<<14 {
		r.d.Report(fmt.Sprintf("%d bins", t.Count), "write 4 to 16384", "bins", "count")
	}
	r.positive(t.WidthPS, "bins", "width_ps")
	r.oneOf(t.PileUp, []string{string(estimate.NoPileUp), string(estimate.FirstPhoton)}, "bins", "pile_up")
	if t.CountMax != nil {
		if *t.CountMax < 1 || *t.CountMax > math.MaxUint32 {
			r.d.Report("count_max is 1 to 4294967295", "write the highest count a bin can hold, or leave it out", "bins", "count_max")
		}
		s.Checks.CountMax = uint32(*t.CountMax)
	}
	r.widths(t, s)
	if len(t.LeakageWindowPS) != 2 {
		r.d.Report(fmt.Sprintf("leakage_window_ps has %d numbers", len(t.LeakageWindowPS)), "write leakage_window_ps = [from, to]", "bins", "leakage_window_ps")
		return
	}
	from, to := t.LeakageWindowPS[0], t.LeakageWindowPS[1]
	s.LeakageWindowPS = [2]float64{from, to}
	last := t.FirstPS + float64(t.Count)*t.WidthPS
	if low, high := max(from, t.FirstPS), min(to, last); !(high-low >= t.WidthPS) {
		r.d.Report(fmt.Sprintf("no bin lies in the leakage window of %v to %v ps", from, to),
			fmt.Sprintf("the bins reach from %v to %v ps", t.FirstPS, last), "bins", "leakage_window_ps")
	}
}

// widths checks measured widths: shares of an axis that is as long as the
// product's clock makes it.
func (r reader) widths(t binsTable, s *estimate.Setup) {
	if t.WidthsPS == nil {
		if t.WidthsInUnit {
			r.d.Report("widths_in_unit without widths_ps", "add widths_ps, or take widths_in_unit out", "bins", "widths_in_unit")
		}
		return
	}
	s.BinWidthsPS, s.UnitBinWidths = t.WidthsPS, t.WidthsInUnit
	if len(t.WidthsPS) != t.Count {
		r.d.Report(fmt.Sprintf("%d widths for %d bins", len(t.WidthsPS), t.Count), "write one width a bin", "bins", "widths_ps")
		return
	}
	sum := 0.0
	for i, w := range t.WidthsPS {
		if !(w >= estimate.LeastWidth*t.WidthPS && w <= estimate.MostWidth*t.WidthPS) {
			r.d.Report(fmt.Sprintf("bin %d is %v ps wide", i, w), fmt.Sprintf("write %v to %v ps", estimate.LeastWidth*t.WidthPS, estimate.MostWidth*t.WidthPS), "bins", "widths_ps", strconv.Itoa(i))
			return
		}
		sum += w
	}
	// Rounding of widths written to a hundredth of a ps.
	if whole := float64(t.Count) * t.WidthPS; math.Abs(sum-whole) > 0.01*float64(t.Count) {
		r.d.Report(fmt.Sprintf("the widths make an axis of %.2f ps, the clock one of %v", sum, whole), "scale them: even light tells shares of the axis, not its length", "bins", "widths_ps")
	}
}

func (r reader) pulse(t pulseTable) {
	r.positive(t.StepPS, "pulse", "step_ps")
	if len(t.Density) < 2 {
		r.d.Report("a pulse of less than two points", "write its density at two points or more", "pulse", "density")
	}
	highest := 0.0
	for i, v := range t.Density {
		if v < 0 {
			r.d.Report(fmt.Sprintf("the density of point %d is negative", i), "write 0 or more", "pulse", "density", strconv.Itoa(i))
		}
		highest = max(highest, v)
	}
	if len(t.Density) >= 2 && highest == 0 {
		r.d.Report("the pulse is zero everywhere", "write its density", "pulse", "density")
	}
}

func (r reader) ranging(t *productTable) {
	r.oneOf(t.Range.Corrects, []string{estimate.CorrectsStation, estimate.CorrectsUnit}, "range", "corrects")
	r.oneOf(t.Range.Offsets, []string{estimate.OffsetsOne, estimate.OffsetsZones}, "range", "offsets")
	r.oneOf(t.Range.Tilt, []string{estimate.TiltFixture, estimate.TiltUnit}, "range", "tilt")
	r.oneOf(t.Range.Ranging, []string{estimate.RangingMean, estimate.RangingPulse}, "range", "ranging")
	if t.Reports == ReportsSummary && t.Range.Ranging == estimate.RangingPulse {
		r.d.Report("ranges without histograms are un-mixed as signal-weighted means", `write ranging = "mean"`, "range", "ranging")
	}
	if len(t.Range.WorkingMM) == 0 || len(t.Range.WorkingMM) > 100 {
		r.d.Report(fmt.Sprintf("%d working distances", len(t.Range.WorkingMM)), "write one to a hundred, in mm", "range", "working_mm")
	}
	for i, v := range t.Range.WorkingMM {
		if !(v > 0) {
			r.d.Report(fmt.Sprintf("working distance of %v mm", v), "write a distance above 0", "range", "working_mm", strconv.Itoa(i))
		}
	}
	if *t.Range.LeakageChange < -1 {
		r.d.Report("leakage cannot fall by more than all of it", "write leakage_change = 0.5 for half as much again", "range", "leakage_change")
	}
	if cel := *t.Temperature.ReferenceCel; cel < -60 || cel > 150 {
		r.d.Report(fmt.Sprintf("a reference temperature of %v Cel", cel), "write degrees Celsius, such as reference_cel = 25", "temperature", "reference_cel")
	}
}

// checks takes over what the file says; what it does not say has a default.
// The estimator takes 0 for that default and a negative number for none.
func (r reader) checks(t *productTable) estimate.Checks {
	var c estimate.Checks
	from := func(v *float64, positive bool, to *float64, table, key string) {
		switch {
		case v == nil:
		case *v < 0 || positive && *v == 0:
			r.d.Report(fmt.Sprintf("%s of %v", key, *v), "write a number above 0, or leave it out for the default", table, key)
		case *v == 0:
			*to = -1
		default:
			*to = *v
		}
	}
	from(t.Checks.FamilyWise, true, &c.FamilyWise, "checks", "family_wise")
	if c.FamilyWise >= 1 {
		r.d.Report(fmt.Sprintf("family_wise of %v", c.FamilyWise), "write the chance that a clean capture is accused, such as 0.001", "checks", "family_wise")
	}
	from(t.Checks.FrameExcess, false, &c.FrameExcess, "checks", "frame_excess")
	from(t.Checks.ChangeSigmas, true, &c.ChangeSigmas, "checks", "change_sigmas")
	from(t.Checks.AmbientMax, true, &c.AmbientMax, "checks", "ambient_max")
	from(t.Checks.TellApartMM, true, &c.TellApartMM, "checks", "tell_apart_mm")
	from(t.Checks.TargetShare, false, &c.TargetShare, "checks", "target_share")
	if c.TargetShare > 1 {
		r.d.Report(fmt.Sprintf("target_share of %v", c.TargetShare), "write the share of the zones that must see the target, such as 0.9", "checks", "target_share")
	}
	from(t.Spread.ZoneMM, false, &c.ZoneSpreadMM, "spread", "zone_spread_mm")
	from(t.Spread.PulseWidth, false, &c.PulseWidth, "spread", "pulse_width")
	from(t.Spread.BinWidth, false, &c.BinWidth, "spread", "bin_width")
	if m := t.Budget.MultipathShare; m > 0 {
		c.Multipath = m // what the budget allows is no misfit
	}
	if n := t.Checks.MaxDeadHot; n != nil {
		c.MaxDeadHot = *n
		switch {
		case *n == 0:
			c.MaxDeadHot = -1
		case *n < 0:
			r.d.Report("max_dead_hot is negative", "write how many zones may be dead or hot, 0 for none", "checks", "max_dead_hot")
		}
	}
	return c
}
