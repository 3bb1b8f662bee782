package productmake

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/label"
	"example.org/panecal/station/product"
	"example.org/panecal/station/survey"
)

// work makes a product file from specimens and documents.
type work struct {
	specimens []specimen
	docs      map[string]any
	datumU    float64 // of the documents' datum, mm
	limits    string  // name of the limits file, "" for none
	widths    *widths // of the bins, as even light tells them
	baud      int

	answer answer
	draft  *draft
	axis   survey.Axis
	units  []survey.Unit
	pulse  *survey.Pulse
	grid   *estimate.Grid // as found, nil before
	bases  []survey.Base
	sets   []quantity.Set
}

// standIn marks in the file what nobody has told.
const standIn = "NOT DETERMINED: a stand-in, see the documents"

func (w *work) run() (text []byte, err error) {
	first := w.specimens[0].id
	w.draft = newDraft(w.docs)
	w.answer = answer{Schema: makeSchema, Product: first.Product, Units: []measured{}, Found: []found{}, Stated: []stated{}, Missing: []missing{}, Dark: []dark{}, Faults: []unitFault{}}
	for _, s := range w.specimens {
		if what := unlike(first, s.id); what != "" {
			return nil, fmt.Errorf("unit %s has another %s than %s: measure units of one product", s.label, what, w.specimens[0].label)
		}
		m := measured{Label: s.label, Firmware: s.id.Firmware, DistancesMM: []float64{}}
		for _, l := range s.lines {
			m.DistancesMM = append(m.DistancesMM, l.DistanceMM)
		}
		w.answer.Units = append(w.answer.Units, m)
	}
	histograms := first.Kinds.Has(protocol.Histograms)
	w.identity(first, histograms)
	w.captures()
	if histograms {
		if err := w.shape(first); err != nil {
			return nil, err
		}
	} else {
		w.noShape(first)
	}
	w.bins(first, histograms)
	w.ranging(first, histograms)
	w.spread()
	w.table()
	w.draft.rest()
	w.sources()
	name := first.Product + ".product.toml"
	head := w.head()
	text = w.draft.bytes(head)
	p, err := product.Read(name, text)
	if err != nil {
		return nil, fmt.Errorf("the product file that was made cannot be used; what documents say does not fit it:\n%w", err)
	}
	if err := w.measure(p, histograms); err != nil {
		return nil, err
	}
	w.change()
	text = w.draft.bytes(head)
	if p, err = product.Read(name, text); err != nil {
		return nil, fmt.Errorf("the product file that was made cannot be used:\n%w", err)
	}
	if err := w.measure(p, histograms); err != nil {
		return nil, err
	}
	w.base(histograms)
	return text, nil
}

// unlike says in what two units of a product differ.
func unlike(a, b protocol.Identity) string {
	for _, c := range []struct {
		what string
		same bool
	}{
		{"product", a.Product == b.Product}, {"grid", a.Rows == b.Rows && a.Cols == b.Cols}, {"number of bins", a.Bins == b.Bins},
		{"bin width", a.BinFS == b.BinFS && a.FirstBinFS == b.FirstBinFS}, {"kind of pile-up", a.PileUp == b.PileUp}, {"set of capture kinds", a.Kinds == b.Kinds},
	} {
		if !c.same {
			return c.what
		}
	}
	return ""
}

func (w *work) head() []string {
	return []string{fmt.Sprintf("The product %s, made from %d units and documents. Each number says where it", w.answer.Product, len(w.specimens)),
		"comes from: u is its standard uncertainty. Check it, complete it, release it."}
}

// says puts a value that units say of themselves.
func (w *work) says(key string, value any) { w.draft.put(key, value, "the units") }

// chosen puts a value that anything but a measurement decides.
func (w *work) chosen(key string, value any, why string) {
	if why == "" {
		w.draft.put(key, value, "chosen")
		return
	}
	w.draft.put(key, value, "chosen: "+why)
}

// wanting puts a stand-in for what only documents can tell.
func (w *work) wanting(key string, value any, why string) {
	if w.draft.says(key) {
		w.draft.put(key, value, "")
		return
	}
	w.draft.set(key, value, standIn)
	w.answer.undetermined(key, "%s", why)
}

func (w *work) identity(id protocol.Identity, histograms bool) {
	w.says("name", id.Product)
	if w.limits != "" {
		w.chosen("limits", w.limits, "beside this file")
	}
	var firmware []string
	for _, s := range w.specimens {
		if !slices.Contains(firmware, s.id.Firmware) {
			firmware = append(firmware, s.id.Firmware)
		}
	}
	w.says("firmware", firmware)
	reports := product.ReportsSummary
	if histograms {
		reports = product.ReportsHistograms
	}
	w.says("reports", reports)
	w.chosen("measure_after_failure", true, "the rest of a failed unit is of use")
	if !id.CompensationOff && !histograms {
		w.says("compensation_always_on", true)
	}
	w.chosen("release.author", "product make", "write who answers for it")
	w.chosen("release.reason", "first file of the product", "write why")
	w.chosen("line.baud", w.baud, "as the units were spoken to")
	w.wanting("label.pattern", "", "what a label of this product looks like stands in its drawing: label.pattern, label.check; \"\" takes any")
	w.draft.put("label.check", string(label.NoCheck), "")
	if !w.draft.says("label.check") {
		w.draft.set("label.check", string(label.NoCheck), standIn)
	}
	tie := product.TieFirst
	if id.Serial != "" {
		tie = product.TieUnit
	}
	w.says("label.tie", tie)
	w.chosen("retest.max_attempts", 3, "testing until it passes releases bad units")
	w.chosen("retest.after_pass", true, "")
}

// captures are as long as those that the numbers come from.
func (w *work) captures() {
	s := w.specimens[0].empty
	shots, frames := int64(1_000_000), 10
	if h := s.histogram; h != nil {
		shots, frames = h.Shots, max(len(h.FrameTotals), 1)
	} else if s.summary != nil {
		shots = s.summary.Shots
	}
	for _, c := range [...]string{"empty", "target", "verify"} {
		w.chosen("capture."+c+".shots", shots/int64(frames), "in each frame, as measured here")
		w.chosen("capture."+c+".frames", frames, "")
	}
}

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

// directions of the zones: from a lens, as flat targets give the size of a
// direction and never its azimuth.
func (w *work) directions(id protocol.Identity) {
	d := w.draft
	w.says("grid.rows", id.Rows)
	w.says("grid.cols", id.Cols)
	if d.says("grid.ux") {
		d.put("grid.ux", nil, "")
		d.put("grid.uy", nil, "")
		return
	}
	if id.Zones() == 1 {
		d.set("grid.ux", []float64{0}, standIn)
		d.set("grid.uy", []float64{0}, standIn)
		w.grid = &estimate.Grid{Rows: 1, Cols: 1, Ux: []float64{0}, Uy: []float64{0}}
		w.answer.undetermined("grid.ux", "a flat target does not tell where the only zone looks: straight ahead is assumed")
		return
	}
	spacing, _ := d.docs["grid.spacing"].(string)
	if spacing == "" {
		spacing = product.EqualTangent
	}
	falloff := float64(product.EvenFalloff)
	if v, ok := d.number("grid.falloff_power"); ok {
		falloff = v
	}
	datum, _ := d.number("range.datum_mm")
	field := func(x, y float64) *estimate.Grid {
		if !(x > 0 && x < 170 && y > 0 && y < 170) {
			return nil
		}
		g := product.Field{XDeg: x, YDeg: y, Spacing: spacing, FalloffPower: falloff}.Grid(id.Rows, id.Cols)
		return &g
	}
	lens, err := survey.FitLens(w.axis, w.units, w.pulse, datum, field)
	for _, f := range [...]struct {
		key      string
		value, u func() float64
		n        int
	}{
		{"grid.fov_x_deg", func() float64 { return lens.XDeg }, func() float64 { return lens.XDegU }, id.Cols},
		{"grid.fov_y_deg", func() float64 { return lens.YDeg }, func() float64 { return lens.YDegU }, id.Rows},
	} {
		switch {
		case err != nil:
			w.wanting(f.key, 40.0, fmt.Sprintf("%v; measure units at two distances, or write what the lens's drawing says", errors.Unwrap(err)))
		case f.n == 1:
			w.wanting(f.key, 1.0, "one row or column does not tell how wide the field is across it")
		default:
			w.answer.determined(f.key, f.value(), f.u(), "deg")
			d.put(f.key, f.value(), fmt.Sprintf("measured, u %.2g", f.u()))
		}
	}
	w.wanting("grid.spacing", spacing, "the lens's drawing says whether zones are equal in tangent or in angle; equal-tangent is assumed, and the azimuth of each zone with it")
	d.put("grid.falloff_power", falloff, "chosen: even light before a matt target")
	if err == nil {
		w.grid = field(orOne(lens.XDeg), orOne(lens.YDeg))
		id := max(finite(lens.XDegU/lens.XDeg), finite(lens.YDegU/lens.YDeg))
		// Of the outermost direction.
		d.put("budget.direction_u_rad", id*math.Tan(max(finite(lens.XDeg), finite(lens.YDeg))*math.Pi/360), "from u of the field of view")
	}
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

func (w *work) bins(id protocol.Identity, histograms bool) {
	d := w.draft
	if !histograms {
		for _, s := range [...]struct {
			key   string
			value any
		}{{"bins.count", 96}, {"bins.width_ps", 240.0}, {"bins.first_ps", -2880.0}, {"bins.pile_up", "none"}, {"bins.leakage_window_ps", []float64{-1440, 2880}}} {
			d.put(s.key, s.value, standIn)
		}
		return
	}
	a := w.axis
	w.says("bins.count", a.Bins)
	w.says("bins.width_ps", a.BinPS)
	w.says("bins.first_ps", a.FirstPS)
	w.says("bins.pile_up", id.PileUp.String())
	// Whole bins that hold the leakage wherever a unit's zero lies.
	low, high := math.Inf(1), math.Inf(-1)
	for _, r := range w.pulse.Returns {
		if r.Target < 0 {
			low, high = min(low, r.PS), max(high, r.PS)
		}
	}
	if math.IsInf(low, 1) {
		low, high = 0, 0
		w.answer.undetermined("bins.leakage_window_ps", "no zone of any unit has leakage that stands out; a window about 0 is assumed")
	}
	from, to := w.pulse.Reach(1e-3)
	margin := 2 * zeroSD / survey.MMPerPS
	window := []float64{a.FirstPS + a.BinPS*math.Floor((low+from-margin-a.FirstPS)/a.BinPS), a.FirstPS + a.BinPS*math.Ceil((high+to+margin-a.FirstPS)/a.BinPS)}
	window[0] = max(window[0], a.FirstPS)
	window[1] = min(window[1], a.FirstPS+a.BinPS*float64(a.Bins))
	w.chosen("bins.leakage_window_ps", window, "whole bins that hold the leakage of units whose zero differs by 10 mm more")
	top := uint32(0)
	for _, s := range w.specimens {
		top = max(top, s.countMax)
	}
	if top > 0 {
		w.says("bins.count_max", int64(top))
	}
	switch {
	case d.says("bins.widths_ps"):
	case w.widths != nil:
		for i, v := range w.widths.PS {
			w.answer.determined("bins.widths_ps."+strconv.Itoa(i), v, w.widths.UPS[i], "ps")
		}
		d.put("bins.widths_ps", w.widths.PS, "even light")
	default:
		w.answer.undetermined("bins.widths_ps", "widths need light that is even in time: measure them by `panecal bins PORT... --json`, then --bins FILE; their scatter is spread.bin_width")
	}
}

// zeroSD is how far zeros of units may lie beyond those seen, mm (common
// practice, no source).
const zeroSD = 5

func (w *work) ranging(id protocol.Identity, histograms bool) {
	d := w.draft
	w.datum()
	corrects, ranging := estimate.CorrectsStation, estimate.RangingPulse
	if !histograms {
		corrects, ranging = estimate.CorrectsUnit, estimate.RangingMean
	}
	w.wanting("range.corrects", corrects, "whose range the stored offset corrects is in the firmware's description: station or unit")
	offsets := estimate.OffsetsZones
	if id.Zones() == 1 {
		offsets = estimate.OffsetsOne
	}
	w.wanting("range.offsets", offsets, "whether the unit stores one offset or one a zone is in the firmware's description")
	w.wanting("range.tilt", estimate.TiltFixture, "whether seating tilt is the fixture's or the unit's is a decision")
	w.wanting("range.ranging", ranging, "how the unit ranges is in the firmware's description: pulse or mean")
	farthest := 0.0
	for _, s := range w.specimens {
		for _, l := range s.lines {
			farthest = max(farthest, l.DistanceMM)
		}
	}
	w.wanting("range.working_mm", []float64{farthest}, "at what distances the product is used stands in its requirement")
	w.wanting("range.leakage_change", 0.2, "by how much leakage may change in use stands in the product's requirement")
	w.wanting("temperature.reference_cel", 25.0, "the temperature that offsets are referred to is a decision")
	w.slope()
	if !d.says("requirement") {
		w.answer.undetermined("requirement", "what the product promises of its range stands in its requirement")
	}
}

// datum is the documents', unless the zones tell it better: units' own zeros
// hide it.
func (w *work) datum() {
	mm, u := math.NaN(), math.NaN()
	if w.pulse != nil && w.grid != nil {
		mm, u = survey.Datum(w.units, w.pulse, w.grid)
	}
	v, drawn := w.draft.number("range.datum_mm")
	switch {
	case drawn && !(u < w.datumU):
		w.draft.put("range.datum_mm", nil, "")
		w.draft.why["range.datum_mm"] = fmt.Sprintf("documents, u %.2g", w.datumU)
		w.answer.determined("range.datum_mm", v, w.datumU, "mm")
	case u < w.datumU:
		w.draft.set("range.datum_mm", mm, fmt.Sprintf("measured, u %.2g", u))
		w.answer.determined("range.datum_mm", mm, u, "mm")
	default:
		why := "a unit's own zero cannot be told from the distance of its reference plane: the drawing says it"
		if !math.IsNaN(u) {
			why += fmt.Sprintf(" (the zones tell %.1f mm, u %.1f)", mm, u)
		}
		w.wanting("range.datum_mm", 0.0, why)
	}
}

// slope is that of the offset with temperature.
func (w *work) slope() {
	const key = "temperature.coefficient_mm_per_k"
	if w.draft.says(key) {
		return
	}
	if w.pulse != nil && w.grid != nil {
		if k, u, n := survey.Slope(w.units, w.pulse, w.grid); n > 0 {
			w.answer.determined(key, k, u, "mm/K")
			w.draft.set(key, k, fmt.Sprintf("measured on %d units that warmed, u %.2g", n, u))
			w.draft.set("temperature.coefficient_u_mm_per_k", u, "")
			return
		}
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, s := range w.specimens {
		for _, t := range append([]shot{s.empty}, s.targets...) {
			low, high = min(low, t.temp), max(high, t.temp)
		}
	}
	w.answer.undetermined(key, "no unit was measured at one distance cold and then 3 K warmer (units were at %.1f to %.1f Cel)", low, high)
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

// sources lists what was not measured.
func (w *work) sources() {
	for _, k := range w.draft.keys {
		why := w.draft.why[k]
		switch {
		case why == "documents", why == "the units", strings.HasPrefix(why, "chosen"):
			w.answer.Stated = append(w.answer.Stated, stated{k, w.draft.text[k], why})
		}
	}
}

// change is how much leakage differs between two captures: the laser's power.
func (w *work) change() {
	for _, b := range w.bases {
		if b.Name == quantity.LeakageChange && b.N >= 3 && !math.IsNaN(b.SD) && !w.draft.says("budget.leakage_change_u") {
			// What counts scatter by is not the laser's.
			own := math.Sqrt(max(b.SD*b.SD-b.MeasuredU*b.MeasuredU, 0))
			w.answer.Found = append(w.answer.Found, found{Key: "budget.leakage_change_u", Value: own, U: b.SDU, Unit: "1", Spread: &spread{b.N, own, b.SDU, b.Low, b.High}})
			w.draft.set("budget.leakage_change_u", b.High, fmt.Sprintf("sd %.2g of %d units; this is the end of its 95 %% interval", own, b.N))
			return
		}
	}
	if !w.draft.says("budget.leakage_change_u") {
		w.draft.set("budget.leakage_change_u", 0.02, standIn)
		w.answer.undetermined("budget.leakage_change_u", "fewer than three units tell how much leakage changes between two captures")
	}
}

// measure takes every quantity of each unit as a station will, with the file as
// it is, before the first target of the unit.
func (w *work) measure(p *product.Product, histograms bool) error {
	w.sets, w.answer.Faults = nil, []unitFault{}
	s := p.Setup
	if s.Budget.LeakageChangeU == 0 {
		s.Budget.LeakageChangeU = freeChange
	}
	e, err := estimate.New(s)
	if err != nil {
		return err
	}
	for _, sp := range w.specimens {
		set := quantity.Set{}
		take := func(q quantity.Set) {
			for n, m := range q {
				set[n] = m
			}
		}
		fault := func(all []estimate.Fault, capture string) {
			for _, f := range all {
				zones := f.Zones
				if zones == nil {
					zones = []int{}
				}
				w.answer.Faults = append(w.answer.Faults, unitFault{sp.label, capture, string(f.Code), zones})
			}
		}
		ref := estimate.Reference{DistanceMM: sp.lines[0].DistanceMM, DistanceUMM: sp.lines[0].DistanceUMM, EndStop: true}
		var l *estimate.Leakage
		var o *estimate.Offsets
		if histograms {
			if l, err = e.Empty(*sp.empty.histogram); err == nil {
				o, err = e.Target(l, *sp.targets[0].histogram, ref, nil)
			}
		} else if l, err = e.EmptySummary(*sp.empty.summary); err == nil {
			o, err = e.TargetSummary(l, *sp.targets[0].summary, ref)
		}
		if err != nil {
			return fmt.Errorf("unit %s: %w", sp.label, err)
		}
		take(l.Quantities)
		take(o.Quantities)
		fault(l.Faults, "empty")
		fault(o.Faults, "target")
		w.sets = append(w.sets, set)
	}
	w.bases = survey.BaseValues(w.sets)
	return nil
}

// base tells the base values, and of which quantities there are none.
func (w *work) base(histograms bool) {
	for _, b := range w.bases {
		if b.N < 2 {
			w.answer.undetermined(string(b.Name), "one unit does not tell what units are like; it has %.4g", b.Mean)
			continue
		}
		d, _ := quantity.Lookup(b.Name)
		w.answer.Found = append(w.answer.Found, found{Key: string(b.Name), Value: b.Mean, U: b.U, Unit: d.Unit, Spread: &spread{b.N, b.SD, b.SDU, b.Low, b.High}})
	}
	for _, d := range quantity.All() {
		if !slices.ContainsFunc(w.bases, func(b survey.Base) bool { return b.Name == d.Name }) {
			w.answer.undetermined(string(d.Name), "%s", untold(d.Name, histograms))
		}
	}
}

// freeChange lets the leakage's change be found, whatever it is.
const freeChange = 0.05

// untold is why a quantity has no base value.
func untold(n quantity.Name, histograms bool) string {
	switch n {
	case quantity.VerifyError, quantity.VerifyErrorFar, quantity.RangeErrorProjected:
		return "nothing is written into units here: the first units that are calibrated tell"
	case quantity.EstimatorDifference:
		return "units were not asked for ranges of their own"
	}
	if !histograms {
		return "units without histograms do not tell it"
	}
	return "no capture tells it"
}

// orOne is a field of view, or the stand-in for what one column or row does not
// tell.
func orOne(deg float64) float64 {
	if math.IsNaN(deg) {
		return 1
	}
	return deg
}
