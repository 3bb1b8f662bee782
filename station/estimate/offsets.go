package estimate

import (
	"fmt"
	"math"
	"slices"

	"example.org/panecal/limits/quantity"
)

// ZoneOffset is the target as one zone saw it; NaN where not measured.
type ZoneOffset struct {
	RangeMM, RangeUMM   float64  // radial; u from both captures' counts and the change of leakage alone
	OffsetMM, OffsetUMM float64  // measured radial − expected radial, before any tilt is taken off; u with every line of the budget
	Signal, SignalU     float64  // photons per shot in the whole pulse
	Ambient             float64  // per shot per bin, in the target capture
	Change, ChangeU     float64  // g, leakage in the target capture over leakage in the empty one
	Rate                float64  // counts per shot, as counted
	Flags               Flags    // of both captures
	Returns             []Return // the two returns of a zone that one does not explain, the nearer first; else nil
}

// Return is one return of a zone.
type Return struct {
	RangeMM float64 // radial
	Signal  float64 // photons per shot
}

// Line is one named line of an uncertainty budget.
type Line struct {
	Line string
	MM   float64
}

// Offsets is the result of a target capture. It is never changed after it is
// returned.
type Offsets struct {
	Zones      []ZoneOffset
	Quantities quantity.Set
	Faults     []Fault
	Budget     []Line // of offset.mean
	Reference  Reference
	Tilt       Tilt
	Apart      Apart
	// StoredMM is what is to be stored for each zone: of the range that the
	// product corrects, tilt of the fixture taken off, referred to the
	// product's temperature, one mean for all zones where one is stored.
	StoredMM []float64

	shots     int64
	summary   bool
	fits      []targetResult
	parts     []parts
	odd       map[int]bool         // zones that misfit
	leastSeen [len(latePS)]float64 // the smallest share of a second return that would have been seen
	doubted   bool                 // the zones see no one plane
}

// ZoneBudget returns the lines of zone z's offset, nil where the zone was not
// measured.
func (o *Offsets) ZoneBudget(z int) []Line {
	if z < 0 || z >= len(o.Zones) || math.IsNaN(o.Zones[z].OffsetMM) {
		return nil
	}
	out := make([]Line, len(lines))
	for i, l := range lines {
		out[i] = Line{l.name, math.Abs(o.parts[z][i])}
	}
	return out
}

// Target estimates the offset from a capture of the target and the empty
// capture before it. unit is what the unit itself ranged with its
// compensation off, nil where it did not. Errors wrap ErrCapture.
func (e *Estimator) Target(l *Leakage, h Histogram, ref Reference, unit *Summary) (*Offsets, error) {
	if err := e.checkHistogram(h); err != nil {
		return nil, fmt.Errorf("target capture: %w", err)
	}
	if err := ref.check(); err != nil {
		return nil, err
	}
	if l.summary || len(l.Zones) != e.zones || len(l.counts) != len(h.Counts) {
		return nil, fmt.Errorf("%w: the empty capture is not one of histograms of this product", ErrCapture)
	}
	if unit != nil {
		if err := e.checkSummary(*unit); err != nil {
			return nil, fmt.Errorf("the unit's own ranges: %w", err)
		}
	}
	o := &Offsets{
		Zones: make([]ZoneOffset, e.zones), Quantities: quantity.Set{}, Reference: ref,
		shots: h.Shots, fits: make([]targetResult, e.zones),
	}
	w := e.worker()
	defer e.pool.Put(w)
	nb := e.bins
	w.misfit.start(e)
	ceiling := e.ceiling(h.Counts)
	for z := range e.zones {
		w.targetZone(l, o, z, h.Counts[z*nb:(z+1)*nb], ceiling)
	}
	together := w.misfit.together(e, h.Shots)
	o.leastSeen = w.misfit.departed.least(e)
	// Each capture answers for its own zones: a dead zone of the empty capture
	// was told there.
	own := make([]ZoneLeakage, e.zones)
	for z := range own {
		own[z] = ZoneLeakage{Ambient: o.Zones[z].Ambient, Flags: e.countFlags(h.Counts[z*nb:(z+1)*nb], ceiling, false)}
		if e.first {
			var sum int64
			for _, c := range h.Counts[z*nb : (z+1)*nb] {
				sum += int64(c)
			}
			if sum >= h.Shots {
				own[z].Flags |= Saturated
			}
		}
		if n := float64(e.bins) * float64(h.Shots); own[z].Ambient > 0 {
			own[z].AmbientU = math.Sqrt(own[z].Ambient / n)
		}
	}
	e.flagHot(own)
	for z := range own {
		o.Zones[z].Flags |= own[z].Flags
	}
	fr := e.checkFrames(h, func(z int) bool { return o.Zones[z].Flags&(Dead|Saturated) != 0 })
	o.Faults = e.captureFaults("target", own, fr, nil)
	e.seen(o)
	e.change(o)
	o.accuse(w.misfit.zones, together, w.misfit.worst)
	e.finish(l, o, h.TempCel, math.Hypot(l.excess, fr.excess), unit)
	return o, nil
}

// targetZone measures one zone.
func (w *worker) targetZone(l *Leakage, o *Offsets, iz int, counts []uint32, ceiling uint32) {
	e, z := w.e, &w.z
	out, fit := &o.Zones[iz], &o.fits[iz]
	nan := math.NaN()
	*out = ZoneOffset{nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, l.Zones[iz].Flags, nil}
	nb := e.bins
	e.load(l.shots, l.counts[iz*nb:(iz+1)*nb], z.x, z.re, z.lx, z.vx)
	exhausted := e.load(o.shots, counts, z.y, z.rt, z.ly, z.vy)
	z.useEmpty = true
	out.Flags |= e.countFlags(counts, ceiling, exhausted)
	var sum float64
	for _, y := range z.y {
		sum += y
	}
	out.Rate = sum / float64(o.shots)
	if out.Flags&(Dead|Saturated) != 0 {
		return
	}
	w.leakBins = l.fits[iz].reached
	w.fitTarget(fit)
	if !fit.found {
		out.Flags |= NoSignal
		if sum > 0 { // no return: all that is not leakage is ambient
			out.Ambient = w.plainAmbient()
		}
		return
	}
	out.RangeMM, out.RangeUMM = e.distance(fit.tau), mmPerPS*fit.tauU
	out.Signal, out.SignalU = fit.rate, fit.rateU
	out.Ambient = fit.a + fit.g*l.fits[iz].ambient
	out.Change, out.ChangeU = fit.g, fit.gU
	before, _ := e.pulse.at(e.edges[0] - fit.tau)
	behind, _ := e.pulse.at(e.edges[nb] - fit.tau)
	if before > cutShare || 1-behind > cutShare {
		out.Flags |= Cut
		return
	}
	if bad, at := w.misfit.zone(e, z, fit, l.fits[iz].ambient); bad {
		w.misfit.zones = append(w.misfit.zones, iz)
		out.Returns = w.split(fit, at)
	}
}

// cutShare of a return outside the bins makes it cut.
const cutShare = 0.01

// plainAmbient is the rate in the bins that the leakage does not reach.
func (w *worker) plainAmbient() float64 {
	var y, n, wide float64
	for b := range w.z.y {
		if b < w.leakBins[0] || b >= w.leakBins[1] {
			y += w.z.y[b]
			n += w.z.rt[b]
			wide += w.z.rt[b] * w.e.wide[b]
		}
	}
	switch {
	case !(n > 0):
		return math.NaN()
	case w.e.first:
		return -math.Log1p(-y/n) * n / wide
	}
	return y / wide
}

// change combines the zones' g, which share one prior, and accuses the
// captures where it is outside.
func (e *Estimator) change(o *Offsets) {
	ug := e.setup.Budget.LeakageChangeU
	if ug == 0 {
		if slices.ContainsFunc(o.fits, func(f targetResult) bool { return f.found }) {
			o.Quantities.Put(quantity.LeakageChange, 1, 0)
		}
		return
	}
	prior := 1 / (ug * ug)
	sum, weight := prior, prior
	limit := e.setup.Checks.ChangeSigmas * ug
	var zones []int
	used := false
	for z, f := range o.fits {
		if !f.found || o.Zones[z].Flags != 0 {
			continue
		}
		used = true
		// Take the prior off again: what this zone's counts say alone.
		own := max(0, 1/(f.gU*f.gU)-prior)
		sum += f.g*(own+prior) - prior
		weight += own
		if math.Abs(f.g-1) > limit {
			zones = append(zones, z)
		}
	}
	if !used {
		return
	}
	g, u := sum/weight, 1/math.Sqrt(weight)
	o.Quantities.Put(quantity.LeakageChange, g, u)
	if math.Abs(g-1) > limit || len(zones) > 0 {
		o.Faults = append(o.Faults, Fault{Code: FaultLeakageChanged, Capture: "target", Zones: zones})
	}
}
