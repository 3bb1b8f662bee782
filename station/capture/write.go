package capture

import (
	"encoding/json"
	"fmt"
	"io"
	"math"

	"example.org/panecal/station/estimate"
)

// Write writes a capture file, one key a line at the top. With f.Complete it has a
// setup object, and what [Read] makes of it is f again, number for number. about,
// if not nil, stands under the key source and says where the capture is from;
// reading leaves it out.
func Write(w io.Writer, f File, about any) error {
	if f.Kind != "histogram" && f.Kind != "summary" {
		return fmt.Errorf("writing a capture file: kind %q", f.Kind)
	}
	out := &writer{w: w}
	s := &f.Setup
	out.key("schema", fileSchema)
	if about != nil {
		out.key("source", about)
	}
	out.key("kind", f.Kind)
	out.key("grid", map[string]any{"rows": s.Grid.Rows, "cols": s.Grid.Cols, "ux": s.Grid.Ux, "uy": s.Grid.Uy})
	if f.Kind == "histogram" || f.Complete {
		out.key("bins", s.Bins)
		out.key("bin_ps", s.BinPS)
		out.key("first_bin_ps", s.FirstBinPS)
		if s.BinWidthsPS != nil {
			out.key("bin_widths_ps", s.BinWidthsPS)
		}
		out.key("pileup", pileUp(s.PileUp))
		out.key("leakage_window_ps", s.LeakageWindowPS[:])
		out.key("pulse", map[string]any{"start_ps": s.Pulse.StartPS, "step_ps": s.Pulse.StepPS, "density": s.Pulse.Density})
	}
	out.key("datum_mm", s.DatumMM)
	if s.Checks.CountMax > 0 {
		out.key("count_max", s.Checks.CountMax)
	}
	if f.Complete {
		out.key("setup", setupOf(f))
	} else {
		out.key("checks", checksOf(s.Checks))
	}
	out.key("empty", captureOf(f.Kind, s, f.Empty, f.EmptySummary))
	if f.HasTarget {
		t := captureOf(f.Kind, s, f.Target, f.TargetSummary)
		t["distance_mm"], t["distance_u_mm"], t["end_stop"] = f.Reference.DistanceMM, f.Reference.DistanceUMM, f.Reference.EndStop
		t["leakage_change_u"] = s.Budget.LeakageChangeU
		if f.UnitRanges != nil {
			t["unit_ranges"] = summaryOf(f.UnitRanges)
		}
		out.key("target", t)
		if f.Verify != nil {
			out.key("verify", summaryOf(f.Verify))
		}
	}
	out.end()
	if out.err != nil {
		return fmt.Errorf("writing a capture file: %w", out.err)
	}
	return nil
}

// writer writes the members of one object.
type writer struct {
	w   io.Writer
	any bool
	err error
}

func (o *writer) key(name string, v any) {
	begin := ",\n"
	if !o.any {
		begin, o.any = "{", true
	}
	data, err := json.Marshal(v)
	if o.err == nil {
		o.err = err
	}
	if o.err == nil {
		_, o.err = fmt.Fprintf(o.w, "%s%q:%s", begin, name, data)
	}
}

func (o *writer) end() {
	if o.err == nil {
		_, o.err = io.WriteString(o.w, "}\n")
	}
}

func pileUp(p estimate.PileUp) estimate.PileUp {
	if p == "" {
		return estimate.NoPileUp
	}
	return p
}

func setupOf(f File) map[string]any {
	s := &f.Setup
	budget := map[string]float64{}
	for _, t := range terms(&s.Budget) {
		budget[t.key] = *t.to
	}
	out := map[string]any{
		"budget": budget, "allowances": checksOf(s.Checks), "datum_mm": s.DatumMM,
		"references":     map[string]any{"temperature_cel": s.Budget.TempRefCel, "distance_mm": f.Reference.DistanceMM, "distance_u_mm": f.Reference.DistanceUMM},
		"leakage_change": s.LeakageChangeStated,
	}
	directions := map[string]any{}
	if s.Grid.Sec != nil {
		directions["sec"] = s.Grid.Sec
	}
	if s.Grid.SecU != nil {
		directions["sec_u"] = s.Grid.SecU
	}
	out["directions"] = directions
	if s.BinWidthsPS != nil {
		out["unit_bin_widths"] = s.UnitBinWidths
	}
	for key, v := range map[string]string{"corrects": s.Corrects, "offsets": s.Offsets, "tilt": s.Tilt, "ranging": s.Ranging} {
		if v != "" {
			out[key] = v
		}
	}
	if len(s.WorkingMM) > 0 {
		out["working_mm"] = s.WorkingMM
	}
	return out
}

// checksOf is the thresholds that are stated: what is zero in Checks has its
// default, and what is below zero is none, which a file says by a zero.
func checksOf(c estimate.Checks) map[string]any {
	out := map[string]any{}
	put := func(key string, v float64) {
		if v != 0 {
			out[key] = max(v, 0)
		}
	}
	put("family_wise", c.FamilyWise)
	put("frame_excess", c.FrameExcess)
	put("change_sigmas", c.ChangeSigmas)
	put("ambient_max", c.AmbientMax)
	put("pulse_width", c.PulseWidth)
	put("bin_width", c.BinWidth)
	put("multipath", c.Multipath)
	put("target_share", c.TargetShare)
	put("zone_spread_mm", c.ZoneSpreadMM)
	put("tell_apart_mm", c.TellApartMM)
	if c.MaxDeadHot != 0 {
		out["max_dead_hot"] = max(c.MaxDeadHot, 0)
	}
	return out
}

func captureOf(kind string, s *estimate.Setup, h *estimate.Histogram, q *estimate.Summary) map[string]any {
	if kind == "summary" {
		return summaryOf(q)
	}
	rows := make([][]uint32, s.Grid.Zones())
	for z := range rows {
		rows[z] = h.Counts[z*s.Bins : (z+1)*s.Bins]
	}
	out := map[string]any{"shots": h.Shots, "counts": rows}
	if h.FrameTotals != nil {
		out["frame_totals"] = h.FrameTotals
	}
	return warm(out, h.TempCel)
}

func summaryOf(q *estimate.Summary) map[string]any {
	n := len(q.Zones)
	signal, signalU, ambient, ambientU, mm, u := make([]number, n), make([]number, n), make([]number, n), make([]number, n), make([]number, n), make([]number, n)
	for i, z := range q.Zones {
		signal[i], signalU[i], ambient[i], ambientU[i], mm[i], u[i] = number(z.Signal), number(z.SignalU), number(z.Ambient), number(z.AmbientU), number(z.RangeMM), number(z.RangeUMM)
	}
	return warm(map[string]any{"shots": q.Shots, "signal": signal, "signal_u": signalU, "ambient": ambient, "ambient_u": ambientU, "range_mm": mm, "range_u_mm": u}, q.TempCel)
}

func warm(out map[string]any, cel float64) map[string]any {
	if !math.IsNaN(cel) {
		out["temperature_cel"] = cel
	}
	return out
}
