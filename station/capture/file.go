package capture

import (
	"io"
	"math"

	"example.org/panecal/station/estimate"
)

// File is a capture file as read: what a product fixes, an empty capture and,
// if there is one, a target capture, of histograms or of summaries.
type File struct {
	Setup         estimate.Setup
	Kind          string // "histogram" or "summary"
	Empty, Target *estimate.Histogram
	EmptySummary  *estimate.Summary
	TargetSummary *estimate.Summary
	Reference     estimate.Reference
	HasTarget     bool
	// UnitRanges is the unit's own ranges beside a histogram of the target,
	// compensation off, and Verify its ranges with its constants on; nil for none.
	UnitRanges, Verify *estimate.Summary
	// Complete says that the file has a setup object: all that the product states.
	Complete bool
}

const fileSchema = "panecal.capture/1"

// Error tells where in a capture file something is wrong, as a path from
// the file's root: $.empty.counts[3][7].
type Error struct {
	Path string
	Err  error
}

func (e *Error) Error() string { return e.Path + ": " + e.Err.Error() }
func (e *Error) Unwrap() error { return e.Err }

// Read reads a capture file. Unknown keys are ignored; every other
// departure is an *Error with the place. Lengths are checked against grid
// and bins, frame totals against the counts.
func Read(r io.Reader) (File, error) {
	root, err := readTree(r)
	if err != nil {
		return File{}, err
	}
	d := &decoder{}
	f := d.file(root)
	if d.err != nil {
		return File{}, d.err
	}
	// What only the estimator can check, it names without a path.
	if _, err := estimate.New(f.Setup); err != nil {
		return File{}, &Error{"$", err}
	}
	return f, nil
}

func (d *decoder) file(root node) File {
	var f File
	if s := root.get(d, "schema").text(d); d.err == nil && s != fileSchema {
		d.fail(root.path+".schema", "schema %q, want %q", s, fileSchema)
	}
	f.Kind = "histogram"
	if n, ok := root.find(d, "kind"); ok {
		f.Kind = n.text(d)
		if f.Kind != "histogram" && f.Kind != "summary" {
			d.fail(n.path, "kind %q, want histogram or summary", f.Kind)
		}
	}
	s := &f.Setup
	summary := f.Kind == "summary"
	d.grid(root.get(d, "grid"), &s.Grid)
	zones := s.Grid.Zones()
	_, f.Complete = root.find(d, "setup")
	if summary && !f.Complete { // nothing of a summary needs bins; any axis will do
		s.Bins, s.BinPS, s.LeakageWindowPS = 4, 1, [2]float64{0, 4}
		s.Pulse = estimate.Pulse{StepPS: 1, Density: []float64{0, 1, 0}}
		s.Ranging = estimate.RangingMean
	} else {
		d.axis(root, s)
	}
	if d.err != nil {
		return f
	}
	if n, ok := root.find(d, "count_max"); ok {
		s.Checks.CountMax = uint32(n.whole(d, 1, math.MaxUint32))
	}
	if n, ok := root.find(d, "checks"); ok {
		d.checks(n, &s.Checks)
	}
	if n, ok := root.find(d, "datum_mm"); ok {
		s.DatumMM = n.number(d)
	}
	if n, ok := root.find(d, "setup"); ok {
		d.setup(n, s)
	}
	read := func(name string, n node) (*estimate.Histogram, *estimate.Summary) {
		if m, ok := n.find(d, "count_max"); ok {
			s.Checks.CountMax = uint32(m.whole(d, 1, math.MaxUint32))
		}
		if summary {
			return nil, d.summary(n, zones)
		}
		return d.histogram(n, zones, s.Bins, s.PileUp == estimate.FirstPhoton), nil
	}
	f.Empty, f.EmptySummary = read("empty", root.get(d, "empty"))
	t, ok := root.find(d, "target")
	if !ok || d.err != nil {
		return f
	}
	f.HasTarget = true
	f.Target, f.TargetSummary = read("target", t)
	f.Reference.DistanceMM = t.get(d, "distance_mm").above(d, 0)
	if n, ok := t.find(d, "distance_u_mm"); ok {
		f.Reference.DistanceUMM = n.atLeast(d, 0)
	}
	if n, ok := t.find(d, "end_stop"); ok {
		f.Reference.EndStop = n.yes(d)
	}
	if n, ok := t.find(d, "leakage_change_u"); ok {
		s.Budget.LeakageChangeU = n.atLeast(d, 0)
	}
	if n, ok := t.find(d, "unit_ranges"); ok && !summary {
		f.UnitRanges = d.summary(n, zones)
	}
	if n, ok := root.find(d, "verify"); ok {
		f.Verify = d.summary(n, zones)
	}
	return f
}

func (d *decoder) grid(n node, g *estimate.Grid) {
	const most = estimate.MaxZones
	g.Rows = int(n.get(d, "rows").whole(d, 1, most))
	g.Cols = int(n.get(d, "cols").whole(d, 1, most))
	if d.err != nil {
		return
	}
	if g.Zones() > most {
		d.fail(n.path, "%d x %d zones, at most %d", g.Rows, g.Cols, most)
		return
	}
	direction := func(key string) []float64 {
		l := n.get(d, key)
		v := l.numbers(d, g.Zones())
		const most = estimate.MostSlope / math.Sqrt2
		for z, u := range v {
			if math.Abs(u) > most {
				d.fail(entry(l.path, z), "%g, want -%.3g to %.3g", u, most, most)
			}
		}
		return v
	}
	g.Ux, g.Uy = direction("ux"), direction("uy")
}

func (d *decoder) axis(root node, s *estimate.Setup) {
	s.Bins = int(root.get(d, "bins").whole(d, 4, estimate.MaxBins))
	s.BinPS = root.get(d, "bin_ps").between(d, estimate.LeastPS, estimate.MostPS)
	if n, ok := root.find(d, "bin_widths_ps"); ok && d.err == nil {
		s.BinWidthsPS, s.UnitBinWidths = n.numbers(d, s.Bins), true
		for b, w := range s.BinWidthsPS {
			if low, high := estimate.LeastWidth*s.BinPS, estimate.MostWidth*s.BinPS; !(w >= low && w <= high) {
				d.fail(entry(n.path, b), "a bin of %g ps, want %g to %g", w, low, high)
			}
		}
	}
	s.FirstBinPS = root.get(d, "first_bin_ps").between(d, -estimate.MostPS, estimate.MostPS)
	s.PileUp = estimate.NoPileUp
	if n, ok := root.find(d, "pileup"); ok {
		s.PileUp = estimate.PileUp(n.text(d))
		if s.PileUp != estimate.NoPileUp && s.PileUp != estimate.FirstPhoton {
			d.fail(n.path, "pile-up %q, want %q or %q", s.PileUp, estimate.NoPileUp, estimate.FirstPhoton)
		}
	}
	w := root.get(d, "leakage_window_ps")
	if v := w.numbers(d, 2); len(v) == 2 {
		s.LeakageWindowPS = [2]float64{v[0], v[1]}
		if !(v[0] < v[1]) {
			d.fail(w.path, "window %g to %g ps is empty", v[0], v[1])
		}
	}
	p := root.get(d, "pulse")
	s.Pulse.StartPS = p.get(d, "start_ps").between(d, -estimate.MostPS, estimate.MostPS)
	s.Pulse.StepPS = p.get(d, "step_ps").between(d, estimate.LeastPS, estimate.MostPS)
	den := p.get(d, "density")
	s.Pulse.Density = den.numbers(d, -1)
	if d.err != nil {
		return
	}
	top := 0.0
	for i, v := range s.Pulse.Density {
		if v < 0 {
			d.fail(entry(den.path, i), "density %g is negative", v)
			return
		}
		top = max(top, v)
	}
	if len(s.Pulse.Density) < 2 || top == 0 {
		d.fail(den.path, "a pulse needs two points and one above zero")
	}
}

func (d *decoder) checks(n node, c *estimate.Checks) {
	set := func(key string, v *float64, to func(float64) float64) {
		if m, ok := n.find(d, key); ok {
			*v = to(m.atLeast(d, 0))
		}
	}
	// In the file a zero is a zero; in Checks it means the default.
	none := func(v float64) float64 {
		if v == 0 {
			return -1
		}
		return v
	}
	same := func(v float64) float64 { return v }
	set("family_wise", &c.FamilyWise, same)
	set("frame_excess", &c.FrameExcess, none)
	set("change_sigmas", &c.ChangeSigmas, none)
	set("ambient_max", &c.AmbientMax, same)
	set("pulse_width", &c.PulseWidth, none)
	set("bin_width", &c.BinWidth, none)
	set("multipath", &c.Multipath, none)
	set("target_share", &c.TargetShare, none)
	set("zone_spread_mm", &c.ZoneSpreadMM, none)
	set("tell_apart_mm", &c.TellApartMM, none)
	if m, ok := n.find(d, "family_wise"); ok && (c.FamilyWise <= 0 || c.FamilyWise >= 1) {
		d.fail(m.path, "family-wise chance %g, want above 0 and below 1", c.FamilyWise)
	}
	if m, ok := n.find(d, "max_dead_hot"); ok {
		if c.MaxDeadHot = int(m.whole(d, 0, estimate.MaxZones)); c.MaxDeadHot == 0 {
			c.MaxDeadHot = -1
		}
	}
	if m, ok := n.find(d, "count_max"); ok {
		c.CountMax = uint32(m.whole(d, 1, math.MaxUint32))
	}
}

func (d *decoder) temperature(n node) float64 {
	if m, ok := n.find(d, "temperature_cel"); ok {
		return m.number(d)
	}
	return math.NaN()
}

func (d *decoder) histogram(n node, zones, bins int, first bool) *estimate.Histogram {
	h := &estimate.Histogram{Shots: n.get(d, "shots").whole(d, 1, estimate.MaxShots), TempCel: d.temperature(n)}
	rows := n.get(d, "counts").list(d, zones)
	h.Counts = make([]uint32, 0, len(rows)*bins)
	sums := make([]int64, len(rows))
	for z, r := range rows {
		for _, c := range r.wholes(d, bins, math.MaxUint32) {
			h.Counts = append(h.Counts, c)
			sums[z] += int64(c)
		}
		if d.err != nil {
			return h
		}
		if first && sums[z] > h.Shots {
			d.fail(r.path, "%d first photons in %d shots", sums[z], h.Shots)
			return h
		}
	}
	f, ok := n.find(d, "frame_totals")
	if !ok || d.err != nil {
		return h
	}
	totals := make([]int64, zones)
	frames := f.list(d, -1)
	if d.err == nil && len(frames) == 0 {
		d.fail(f.path, "no frames")
	}
	if d.err == nil && h.Shots%int64(len(frames)) != 0 {
		d.fail(f.path, "%d shots do not make %d equal frames", h.Shots, len(frames))
	}
	for _, r := range frames {
		row := r.wholes(d, zones, math.MaxUint32)
		if d.err != nil {
			return h
		}
		for z, c := range row {
			totals[z] += int64(c)
		}
		h.FrameTotals = append(h.FrameTotals, row)
	}
	for z, t := range totals {
		if d.err == nil && t != sums[z] {
			d.fail(f.path, "zone %d: frame totals sum to %d, counts to %d", z, t, sums[z])
		}
	}
	return h
}

// summary reads either a list per key or a list of zones.
func (d *decoder) summary(n node, zones int) *estimate.Summary {
	s := &estimate.Summary{Shots: n.get(d, "shots").whole(d, 1, estimate.MaxShots), TempCel: d.temperature(n), Zones: make([]estimate.SummaryZone, zones)}
	each := func(q *estimate.SummaryZone) map[string]*float64 {
		return map[string]*float64{
			"signal": &q.Signal, "signal_u": &q.SignalU, "ambient": &q.Ambient, "ambient_u": &q.AmbientU,
			"range_mm": &q.RangeMM, "range_u_mm": &q.RangeUMM,
		}
	}
	keys := []string{"signal", "signal_u", "ambient", "ambient_u", "range_mm", "range_u_mm"}
	value := func(m node, key string) float64 {
		switch {
		case m.isNull():
			return math.NaN()
		case key == "signal_u" || key == "ambient_u" || key == "range_u_mm":
			return m.atLeast(d, 0)
		}
		return m.number(d)
	}
	find := func(n node, key string) node {
		if key == "range_u_mm" {
			if m, ok := n.find(d, "range_mm_u"); ok {
				return m
			}
		}
		return n.get(d, key)
	}
	if list, ok := n.find(d, "zones"); ok {
		for z, m := range list.list(d, zones) {
			to := each(&s.Zones[z])
			for _, k := range keys {
				*to[k] = value(find(m, k), k)
			}
		}
		return s
	}
	for _, k := range keys {
		for z, m := range find(n, k).list(d, zones) {
			*each(&s.Zones[z])[k] = value(m, k)
		}
	}
	return s
}
