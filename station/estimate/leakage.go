package estimate

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"

	"example.org/panecal/limits/quantity"
)

// ZoneLeakage is the empty field of one zone. Rates are per shot, of photons
// after pile-up is undone; NaN where not measured.
type ZoneLeakage struct {
	Leakage, LeakageU       float64 // in the leakage window, ambient taken off
	DistanceMM, DistanceUMM float64 // c/2 times the most likely delay of the pulse
	Ambient, AmbientU       float64 // per bin
	Rate                    float64 // counts per shot, as counted
	Flags                   Flags
}

// Leakage is the result of an empty capture. It is never changed after it is
// returned.
type Leakage struct {
	Zones      []ZoneLeakage
	Quantities quantity.Set
	Faults     []Fault

	summary bool
	shots   int64
	counts  []uint32  // of a histogram unit, kept for the joint fit
	net     []float64 // leakage rate per zone and bin
	fits    []emptyResult
	excess  float64 // relative sd between frames, within the allowance
	width   float64 // pulse width over the product's, NaN unknown
	widthU  float64
	tempCel float64
	ranges  []SummaryZone // of a summary unit
}

// emptyResult is the fit of one pulse and an ambient to an empty capture.
type emptyResult struct {
	found         bool
	rate, tau     float64
	tauU          float64 // ps
	ambient       float64
	wide          [3]float64 // rate, tau, ambient with the unit's own pulse width
	reached       [2]int
	late, total   float64 // leakage rates: later than a width behind the peak, in all bins reached
	lateV, totalV float64
	lateTotalV    float64 // their covariance
}

const (
	// minSignificance is the match, in sigmas, below which a zone has no
	// return: noise alone reaches it about once in 10,000 zones.
	minSignificance = 5
	// minTarget is the same for a target, where a zone must not be lost whose
	// true match is 8.
	minTarget = 4
	evalLimit = 60
	gainTol   = 1e-5
)

// Empty estimates leakage from a capture of the empty field. Errors wrap
// ErrCapture and mean that the capture's shape does not fit the product; what
// is wrong with the field or the unit is told by Faults and Flags.
func (e *Estimator) Empty(h Histogram) (*Leakage, error) {
	if err := e.checkHistogram(h); err != nil {
		return nil, fmt.Errorf("empty capture: %w", err)
	}
	nb := e.bins
	l := &Leakage{
		Zones: make([]ZoneLeakage, e.zones), Quantities: quantity.Set{},
		shots: h.Shots, counts: slices.Clone(h.Counts), tempCel: h.TempCel,
		net: make([]float64, e.zones*nb), fits: make([]emptyResult, e.zones),
	}
	w := e.worker()
	defer e.pool.Put(w)
	ceiling := e.ceiling(h.Counts)
	for z := range e.zones {
		w.emptyZone(l, z, h.Counts[z*nb:(z+1)*nb], ceiling)
	}
	e.flagHot(l.Zones)
	fr := e.checkFrames(h, func(z int) bool { return l.Zones[z].Flags&(Dead|Saturated) != 0 })
	l.excess = fr.excess
	e.measurePulse(w, l)
	sigma, strays := w.strays(l)
	l.quantities(e, h, sigma)
	l.Faults = e.captureFaults("empty", l.Zones, fr, strays)
	return l, nil
}

// emptyZone measures one zone.
func (w *worker) emptyZone(l *Leakage, iz int, counts []uint32, ceiling uint32) {
	e, z := w.e, &w.z
	out, fit := &l.Zones[iz], &l.fits[iz]
	*out = ZoneLeakage{Leakage: math.NaN(), LeakageU: math.NaN(), DistanceMM: math.NaN(), DistanceUMM: math.NaN(), Ambient: math.NaN(), AmbientU: math.NaN()}
	z.useEmpty = false
	exhausted := e.load(l.shots, counts, z.y, z.rt, z.ly, z.vy)
	out.Flags = e.countFlags(counts, ceiling, exhausted)
	var sum float64
	for _, y := range z.y {
		sum += y
	}
	out.Rate = sum / float64(l.shots)
	fit.reached = e.unseen
	n := 0
	if out.Flags&(Dead|Saturated) == 0 {
		for b, k := range e.wide { // as if all bins were of one width
			w.p[b], w.q[b] = z.ly[b]/k, z.vy[b]/(k*k)
		}
		n = w.scan.run(e, w.p, w.q, nil, 0, e.window[0], e.window[1])
	}
	if n > 0 && w.scan.found[0].z >= minSignificance {
		w.fitEmpty(w.scan.found[0], fit)
	} else {
		w.fitWeak(n, fit)
	}
	if fit.found {
		out.DistanceMM, out.DistanceUMM = e.distance(fit.tau), mmPerPS*fit.tauU
		fit.reached = e.reached(fit.tau, e.setup.BinPS)
	}
	if exhausted {
		return
	}
	w.emptyRates(l, iz)
}

// fitEmpty fits pulse and ambient; cells are gathered anew where the delay
// runs out of reach of the start.
func (w *worker) fitEmpty(start candidate, fit *emptyResult) {
	e := w.e
	f := &w.ef
	f.e, f.c = e, &w.c
	f.margin = max(e.setup.BinPS, e.pulse.fwhm/2)
	m := &w.min
	low := 1e-3 / (float64(e.bins) * max(w.z.rt[0], 1)) // a thousandth of a count in all
	m.x[0], m.x[1] = max(start.rate, low), start.tau
	m.x[2] = low
	for range 4 {
		f.tau0 = m.x[1]
		w.c.gather(&w.z, e.reached(f.tau0, f.margin), [2]int{})
		if last := w.c.n - 1; w.c.merged {
			m.x[2] = max(w.c.y[last]/w.c.rt[last]/w.c.k[last], low)
		}
		m.run(f, 3, evalLimit, gainTol) // a fit that ends in a corner is the best point seen
		if math.Abs(m.x[1]-f.tau0) < 0.8*f.margin {
			break
		}
	}
	fit.rate, fit.tau = start.rate, start.tau
	if math.IsInf(m.cost, 0) || math.IsNaN(m.cost) || !finite(m.x[0], m.x[1], m.x[2]) {
		return
	}
	fit.rate, fit.tau, fit.ambient = m.x[0], m.x[1], m.x[2]
	m.variance(1, w.row[:3])
	fit.found = w.row[1] > 0
	fit.tauU = math.Sqrt(w.row[1])
}

// fitWeak fits leakage that is too weak to be reported as a pulse, at the most
// likely of n places: it is there all the same, and the stray test takes it
// off before it looks for anything else.
func (w *worker) fitWeak(n int, fit *emptyResult) {
	best := math.Inf(1)
	var kept emptyResult
	for _, start := range w.scan.found[:n] {
		w.fitEmpty(start, fit)
		w.c.gather(&w.z, [2]int{0, w.e.bins}, [2]int{})
		w.ef.tau0 = fit.tau
		x := [3]float64{fit.rate, fit.tau, fit.ambient}
		var g [3]float64
		var h [9]float64
		if c := w.ef.eval(x[:], g[:], h[:]); c < best {
			best, kept = c, *fit
		}
	}
	fit.found, fit.rate, fit.tau, fit.ambient = false, kept.rate, kept.tau, kept.ambient
}

// emptyRates takes the ambient, as seen in bins that the leakage does not
// reach, off every bin and sums what is left.
func (w *worker) emptyRates(l *Leakage, iz int) {
	e, z := w.e, &w.z
	out, fit := &l.Zones[iz], &l.fits[iz]
	r := fit.reached
	var fy, ft, fk float64
	far := 0
	for b := range e.bins {
		if b < r[0] || b >= r[1] {
			fy += z.y[b]
			ft += z.rt[b]
			fk += z.rt[b] * e.wide[b]
			far++
		}
	}
	a, va := fit.ambient, math.NaN()
	if far > 0 && ft > 0 {
		if a = fy / ft; e.first {
			a = -math.Log1p(-fy / ft)
		}
		k := fk / ft // mean width of these bins, over the nominal one
		va = e.rateVariance(a, fy, ft) / (k * k)
		a /= k
	}
	out.Ambient, out.AmbientU = a, math.Sqrt(va)
	fit.ambient = a
	net := l.net[iz*e.bins : (iz+1)*e.bins]
	for b := range net {
		net[b] = z.ly[b] - a*e.wide[b]
	}
	peak := fit.tau + e.pulse.mode + e.pulse.fwhm
	if !fit.found {
		peak = e.pulse.mode + e.pulse.fwhm
	}
	// Ambient is common to the bins of a sum; its own bins belong to the sum
	// too where the window is wider than the pulse.
	in := func(b int) bool { return b >= e.window[0] && b < e.window[1] }
	var sum, v, shared, farIn float64
	nw := e.edge(e.window[1])/e.setup.BinPS - e.edge(e.window[0])/e.setup.BinPS // window, in nominal bins
	for b := range e.bins {
		vb := e.rateVariance(z.ly[b], z.y[b], z.rt[b])
		farBin := b < r[0] || b >= r[1]
		if in(b) {
			sum += net[b]
			v += vb
			if farBin && ft > 0 {
				shared += vb * z.rt[b] / ft
				farIn++
			}
		}
		if !farBin {
			share := min(max((e.edge(b+1)-peak)/(e.edge(b+1)-e.edge(b)), 0), 1)
			fit.total += net[b]
			fit.totalV += vb
			fit.late += share * net[b]
			fit.lateV += share * share * vb
			fit.lateTotalV += share * vb
		}
	}
	if far > 0 && ft > 0 {
		// A few counts are a poor guide to their own variance: unless there is
		// more in the window than ambient, its variance is the ambient's.
		var y, n float64
		for b := e.window[0]; b < e.window[1]; b++ {
			y += z.y[b]
			n += z.rt[b]
		}
		if back := n * max(fy, 0.5) / ft; !fit.found && !(y > back && mathext.GammaIncReg(y, back) < 0.01) {
			bins := float64(e.window[1] - e.window[0])
			v = bins * bins * e.rateVariance(back/n, back, n)
			shared = v / bins * farIn / float64(far)
		}
		v += nw*nw*va - 2*nw*shared
	}
	out.Leakage, out.LeakageU = sum, math.Sqrt(max(v, 0))
}

// rateVariance is the variance of a rate from y counts of n shots at risk.
func (e *Estimator) rateVariance(rate, y, n float64) float64 {
	if !(n > 0) {
		return math.NaN()
	}
	if e.first {
		return grown(rate) / n
	}
	return y / (n * n)
}

// flagHot marks zones whose ambient is over 20 times the median of all zones
// and above it by more than noise.
func (e *Estimator) flagHot(zones []ZoneLeakage) {
	var a []float64
	for _, z := range zones {
		if z.Flags&Dead == 0 && !math.IsNaN(z.Ambient) {
			a = append(a, z.Ambient)
		}
	}
	if len(a) == 0 {
		return
	}
	slices.Sort(a)
	median := (a[(len(a)-1)/2] + a[len(a)/2]) / 2
	for i := range zones {
		if z := &zones[i]; z.Ambient-20*median > 3*z.AmbientU {
			z.Flags |= Hot
		}
	}
}

// strays runs the stray test over the zones and returns the largest
// significance and the zones above the family-wise threshold.
func (w *worker) strays(l *Leakage) (sigma float64, zones []int) {
	e := w.e
	c := e.setup.Checks
	limit := e.strayThreshold(c.FamilyWise)
	usable := func(iz int) bool { return l.Zones[iz].Flags&(Dead|Saturated) == 0 && !math.IsNaN(l.Zones[iz].Ambient) }
	// The unit's pulse may be as much wider or narrower than the product's as
	// the allowance says; the capture itself tells by how much.
	width, limits := 1.0, 4*c.PulseWidth
	if !math.IsNaN(l.width) {
		width = min(max(l.width, 1-limits), 1+limits)
	}
	own := func(f *emptyResult) [3]float64 {
		if width == l.width && f.found {
			return f.wide
		}
		return [3]float64{f.rate, f.tau, f.ambient}
	}
	// The allowance for unequal bins holds in the leakage, where the capture
	// cannot tell a bin's width from the pulse; in the ambient it is used as
	// far as the bins are seen to differ, so that it hides no stray.
	ambientVar := c.BinWidth * c.BinWidth
	var up, down, spread float64
	if c.BinWidth > 0 {
		for iz := range e.zones {
			if !usable(iz) {
				continue
			}
			f := &l.fits[iz]
			w.reload(l, iz)
			w.stray.counting(e, &w.z, own(f), width)
			s2, mean, n := w.stray.roughness(&w.z, f.reached, w.d)
			if n == 0 {
				continue
			}
			up += mean * (s2 - 1)
			down += mean * mean
			u := mean * s2 * 1.14 * math.Sqrt(2/float64(n)) // of a clipped variance
			spread += u * u
		}
		if down > 0 {
			// A margin for the error of what is seen, where something is seen
			// and few zones show it.
			over := max(0, up) / math.Sqrt(down)
			u := math.Sqrt(spread / down)
			seen := (max(0, up) + math.Sqrt(down)*u*min(1, 4*u)*over/(1+over)) / down
			ambientVar = min(ambientVar, seen)
		}
	}
	for iz := range e.zones {
		if !usable(iz) {
			continue
		}
		f := &l.fits[iz]
		w.reload(l, iz)
		s, _ := w.stray.run(e, &w.z, own(f), width, ambientVar, c.BinWidth*c.BinWidth, c.PulseWidth, 3)
		sigma = max(sigma, s)
		if s > limit {
			zones = append(zones, iz)
		}
	}
	return sigma, zones
}

// reload fills the counts and shots at risk of a zone once more, not its
// rates.
func (w *worker) reload(l *Leakage, iz int) {
	e, z := w.e, &w.z
	z.useEmpty = false
	n := float64(l.shots)
	for b, c := range l.counts[iz*e.bins : (iz+1)*e.bins] {
		h := float64(c)
		z.y[b], z.rt[b] = h, n
		if e.first {
			n -= h
		}
	}
}

// captureFaults lists what makes a capture bad, given its zones' flags.
func (e *Estimator) captureFaults(name string, zones []ZoneLeakage, fr frames, strays []int) []Fault {
	var out []Fault
	add := func(c FaultCode, zs []int) { out = append(out, Fault{Code: c, Capture: name, Zones: zs}) }
	with := func(f Flags) (zs []int) {
		for i, z := range zones {
			if z.Flags&f != 0 {
				zs = append(zs, i)
			}
		}
		return zs
	}
	if len(strays) > 0 {
		add(FaultStray, strays)
	}
	if fr.bad {
		add(FaultFrames, fr.zones)
	}
	c := e.setup.Checks
	if c.AmbientMax > 0 {
		var zs []int
		for i, z := range zones {
			if z.Flags&Hot == 0 && z.Ambient > c.AmbientMax {
				zs = append(zs, i)
			}
		}
		if len(zs) > 0 {
			add(FaultAmbient, zs)
		}
	}
	if zs := with(Saturated); len(zs) > 0 {
		add(FaultSaturated, zs)
	}
	if zs := with(Dead); len(zs) > c.MaxDeadHot || len(zs) == len(zones) {
		add(FaultDeadZones, zs)
	}
	if zs := with(Hot); len(zs) > c.MaxDeadHot {
		add(FaultHotZones, zs)
	}
	return out
}
