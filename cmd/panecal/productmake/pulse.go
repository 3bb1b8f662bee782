package productmake

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/product"
	"example.org/panecal/station/survey"
)

// shape finds what only histograms tell: the pulse, and the directions.
func (w *work) shape(id protocol.Identity) (err error) {
	w.axis = survey.Axis{Rows: id.Rows, Cols: id.Cols, Bins: id.Bins, BinPS: float64(id.BinFS) / 1000, FirstPS: float64(id.FirstBinFS) / 1000, FirstPhoton: id.PileUp == protocol.FirstPhoton}
	for _, s := range w.specimens {
		u := survey.Unit{Serial: s.label, Empty: *s.empty.histogram}
		for i, t := range s.targets {
			l := s.lines[i]
			u.Targets = append(u.Targets, survey.Target{
				Histogram: *t.histogram, Reference: estimate.Reference{DistanceMM: l.DistanceMM, DistanceUMM: l.DistanceUMM},
				SlopeX: math.Tan(l.TiltXDeg * math.Pi / 180), SlopeY: math.Tan(l.TiltYDeg * math.Pi / 180),
			})
		}
		w.units = append(w.units, u)
	}
	if w.pulse, err = survey.FitPulse(w.axis, w.units); err != nil {
		return fmt.Errorf("finding the pulse: %w", err)
	}
	p := w.pulse
	w.answer.Shapes = &shapes{FWHMPS: p.FWHM, LeakagePS: p.LeakagePS, LeakagePSU: p.LeakagePSU, LateShare: p.LateShare, LateShareU: p.LateShareU, OriginUPS: p.MeanU,
		Smoothing: survey.Smoothing, Freedom: p.Freedom}
	for i, zones := range p.Dark {
		if len(zones) > 0 {
			w.answer.Dark = append(w.answer.Dark, dark{w.specimens[i].label, zones})
		}
	}
	w.directions(id)
	return nil
}

// noShape is what units without histograms do not tell.
func (w *work) noShape(id protocol.Identity) {
	w.says("grid.rows", id.Rows)
	w.says("grid.cols", id.Cols)
	zero := make([]float64, id.Zones())
	if w.draft.says("grid.fov_x_deg") {
		w.draft.put("grid.fov_x_deg", nil, "")
		w.draft.put("grid.fov_y_deg", nil, "")
		w.draft.put("grid.spacing", product.EqualTangent, "")
	} else if !w.draft.says("grid.ux") {
		w.draft.set("grid.ux", zero, standIn)
		w.draft.set("grid.uy", zero, standIn)
		w.answer.undetermined("grid", "units without histograms range signal-weighted means, which leakage moves: directions stand in the lens's drawing")
	}
	const why = "units without histograms do not tell how they count inside"
	for _, k := range [...]string{"bins.count", "bins.width_ps", "bins.first_ps", "bins.pile_up", "bins.leakage_window_ps", "pulse.start_ps", "pulse.step_ps", "pulse.density"} {
		if !w.draft.says(k) {
			w.answer.undetermined(k, why)
		}
	}
}

// spread is how units differ, as far as the pulse's fit tells.
func (w *work) spread() {
	p := w.pulse
	if p == nil {
		return
	}
	if s := survey.Over(p.Width); s.N > 1 {
		f := found{Key: "spread.pulse_width", Value: s.SD, U: s.SDU, Unit: "1", Spread: &spread{s.N, s.SD, s.SDU, s.Low, s.High}}
		w.answer.Found = append(w.answer.Found, f)
		// What few units hide is allowed for: a unit beside the usual is not bad.
		v := s.SD
		if s.N < survey.FullSample {
			v = min(s.High, max(s.SD, 0.03))
		}
		w.draft.put("spread.pulse_width", v, fmt.Sprintf("sd %.2g of %d units, 95 %% interval %.2g to %.2g", s.SD, s.N, s.Low, s.High))
	} else {
		w.answer.undetermined("spread.pulse_width", "one unit does not tell how units differ")
	}
	w.answer.determined("spread.bin_width", p.BinWidth, p.BinWidthU, "1")
	w.draft.put("spread.bin_width", p.BinWidth, fmt.Sprintf("measured, u %.2g: counts beyond chance", p.BinWidthU))
	w.answer.undetermined("spread.bin_edge_ps", "widths that add up along the axis need light that is even in time: `panecal bins PORT...`")
	w.answer.determined("budget.multipath_share", p.LateShare, p.LateShareU, "1")
	w.draft.put("budget.multipath_share", max(p.LateShare, p.LateShareU, 0), fmt.Sprintf("measured, u %.2g", p.LateShareU))
	w.draft.put("budget.pulse_shape_mm", p.MeanU*survey.MMPerPS, "u of the highest point, which is at 0")
}

// table is the pulse's.
func (w *work) table() {
	p := w.pulse
	if p == nil {
		w.gauss()
		return
	}
	w.answer.determined("pulse.fwhm", p.FWHM, p.FWHMU, "ps")
	w.draft.put("pulse.start_ps", p.StartPS, "highest point at 0")
	w.draft.put("pulse.step_ps", p.StepPS, "")
	top := slices.Max(p.Density)
	v := make([]float64, len(p.Density))
	for i, d := range p.Density {
		v[i] = d / top
		w.answer.determined("pulse.density."+strconv.Itoa(i), d/top, p.U[i]/top, "1")
	}
	w.draft.put("pulse.density", v, fmt.Sprintf("measured on %d units; full width at half maximum %.1f ps, u %.2g", p.Units, p.FWHM, p.FWHMU))
}

// gauss is a stand-in for a pulse that nobody has measured.
func (w *work) gauss() {
	const sd, step, n = 260.0, 50.0, 21
	var v []float64
	for i := -n; i <= n; i++ {
		x := float64(i) * step / sd
		v = append(v, math.Exp(-x*x/2))
	}
	w.draft.put("pulse.start_ps", -n*step, standIn)
	w.draft.put("pulse.step_ps", step, standIn)
	w.draft.put("pulse.density", v, standIn)
}
