package estimate

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Requirement is what a product promises of one range in use. It counts what
// leakage and noise do, and nothing else: what the offset's budget needs is
// taken off the allowance beforehand.
type Requirement struct {
	AllowanceMM float64 // |bias| + K·sd may be so much
	K           float64
	Shots       int64     // of a frame in use
	Reflectance []float64 // of what it looks at
	Ambient     []float64 // counts per shot and bin
	// Change is the relative change of the leakage since calibration, and
	// Added what comes on top whatever there was, counts per shot in a zone.
	Change, ChangeU, Added float64
	// A unit that ranges by the mean takes its ambient light from so many
	// bins at the end; 0: it is known exactly.
	AmbientBins int
	// Where the leakage appears before the unit's own zero, and how well that
	// is known.
	LeakageMM, LeakageUMM float64
	// Signal is what the weakest zone of an accepted unit gets from a target
	// of that reflectance at that perpendicular distance, counts per shot.
	Signal, SignalAtMM, SignalReflectance float64
	CalibrationShots                      int64 // of the empty-field capture
}

// How a LeakageLimit ended.
const (
	LimitFound  = "limit"
	LimitNone   = "no limit" // the allowance is kept up to SearchedTo
	LimitNotMet = "not met"  // it is exceeded even without leakage
)

// LeakageLimit is the smallest leakage of a zone at which a requirement is not
// kept, as the leakage quantities count it: per shot in the leakage window. The
// search goes up by a fifth at a time; what comes and goes between is not seen.
type LeakageLimit struct {
	Outcome    string
	Limit, U   float64 // NaN without one
	SearchedTo float64
	Estimator  string // RangingMean or RangingPulse: whose error it is
	Worst      Condition
	Budget     []LimitTerm // of U, the largest first
}

// Condition is where the allowance is used up first, and by what.
type Condition struct {
	DistanceMM, Reflectance, Ambient float64
	RadialMM                         float64 // of the zone that is worst
	BiasMM, SDMM                     float64
}

// LimitTerm is what the uncertainty of one input does to the limit.
type LimitTerm struct {
	Name string
	U    float64
}

const (
	leastLeakage = 1e-7 // count per shot over the whole pulse, where a search begins
	mostLeakage  = 10   // and ends: few units count so many
	searchStep   = 1.2
)

// LeakageLimit derives a limit from what the product promises, at every working
// distance of the setup, reflectance and ambient light of the requirement and
// radial distance of the zones. The range is the unit's own, by the setup's way
// of ranging, with the leakage taken off that the calibration stored. Its
// variance is that of the frame's counts (first-photon units: after Coates) and
// of the stored leakage's. A fit of the pulse keeps the largest one: where noise
// makes that the leakage's, or none at all, the gross error counts as often as
// it comes.
func (e *Estimator) LeakageLimit(r Requirement) (LeakageLimit, error) {
	if err := r.check(e); err != nil {
		return LeakageLimit{}, err
	}
	in := inputs{width: 1, leakageMM: r.LeakageMM, change: r.Change}
	all := e.conditions(r)
	out := LeakageLimit{Limit: math.NaN(), U: math.NaN(), Estimator: e.setup.Ranging, SearchedTo: mostLeakage * e.inWindow(in)}
	at, worst, ok := e.search(r, in, all)
	if !ok {
		out.Outcome = LimitNone
		_, out.Worst = e.worst(r, in, all, mostLeakage)
		return out, nil
	}
	out.Worst = worst
	if at == 0 {
		out.Outcome = LimitNotMet
		return out, nil
	}
	out.Outcome, out.Limit, out.U = LimitFound, at*e.inWindow(in), 0
	for _, term := range []struct {
		name string
		u    float64
		move func(*inputs, float64)
	}{
		{"pulse width", e.setup.Checks.PulseWidth, func(i *inputs, d float64) { i.width += d }},
		{"leakage distance", r.LeakageUMM, func(i *inputs, d float64) { i.leakageMM += d }},
		{"leakage change", r.ChangeU, func(i *inputs, d float64) { i.change += d }},
	} {
		if term.u == 0 {
			continue
		}
		limit := func(sign float64) float64 {
			moved := in
			term.move(&moved, sign*term.u)
			at, _, ok := e.search(r, moved, []Condition{worst})
			if !ok {
				return math.NaN()
			}
			return at * e.inWindow(moved)
		}
		// Half of the difference; on one side alone where the other has no limit.
		above, below := math.Abs(limit(1)-out.Limit), math.Abs(limit(-1)-out.Limit)
		u := (above + below) / 2
		switch {
		case math.IsNaN(above):
			u = below
		case math.IsNaN(below):
			u = above
		}
		out.Budget = append(out.Budget, LimitTerm{term.name, u})
		out.U = math.Hypot(out.U, u)
	}
	slices.SortStableFunc(out.Budget, func(a, b LimitTerm) int {
		switch {
		case a.U > b.U:
			return -1
		case a.U < b.U:
			return 1
		}
		return 0
	})
	return out, nil
}

// ErrRequirement is wrapped by every error of LeakageLimit.
var ErrRequirement = errors.New("requirement")

func (r Requirement) check(e *Estimator) error {
	fail := func(format string, a ...any) error {
		return fmt.Errorf("%w: %s", ErrRequirement, fmt.Sprintf(format, a...))
	}
	switch {
	case !(r.AllowanceMM > 0) || !finite(r.AllowanceMM):
		return fail("an allowance of %g mm", r.AllowanceMM)
	case !nonNegative(r.K, r.ChangeU, r.Added, r.LeakageUMM) || !finite(r.LeakageMM):
		return fail("a factor or an uncertainty is negative or not a number")
	case r.Shots < 1 || r.Shots > MaxShots || r.CalibrationShots < 1 || r.CalibrationShots > MaxShots:
		return fail("%d shots a frame, %d of the calibration", r.Shots, r.CalibrationShots)
	case !(r.Change >= -1) || !finite(r.Change):
		return fail("a change of leakage by %g", r.Change)
	case !(r.Signal > 0 && r.SignalAtMM > 0 && r.SignalReflectance > 0) || !finite(r.Signal, r.SignalAtMM, r.SignalReflectance):
		return fail("a signal of %g count/shot from a reflectance of %g at %g mm", r.Signal, r.SignalReflectance, r.SignalAtMM)
	case len(r.Reflectance) == 0 || len(r.Ambient) == 0 || len(e.setup.WorkingMM) == 0:
		return fail("no reflectance, no ambient light or no working distance")
	case r.AmbientBins < 0 || r.AmbientBins >= e.bins:
		return fail("ambient light from %d of %d bins", r.AmbientBins, e.bins)
	}
	for _, v := range r.Reflectance {
		if !(v > 0 && v <= 1) {
			return fail("a reflectance of %g", v)
		}
	}
	if !nonNegative(r.Ambient...) {
		return fail("an ambient light that is negative or not a number")
	}
	return nil
}

// inputs are what the limit's uncertainty comes from.
type inputs struct{ width, leakageMM, change float64 }

// conditions lists each combination once; zones as far as one another count as one.
func (e *Estimator) conditions(r Requirement) (all []Condition) {
	var secs []float64
	for z := range e.zones {
		secs = append(secs, e.setup.Grid.sec(z))
	}
	slices.Sort(secs)
	secs = slices.CompactFunc(secs, func(a, b float64) bool { return math.Abs(a-b) < 1e-9 })
	for _, d := range e.setup.WorkingMM {
		for _, sec := range secs {
			for _, reflectance := range r.Reflectance {
				for _, ambient := range r.Ambient {
					all = append(all, Condition{DistanceMM: d, Reflectance: reflectance, Ambient: ambient, RadialMM: (d + e.setup.DatumMM) * sec})
				}
			}
		}
	}
	return all
}

// inWindow is the share of the leakage's pulse that the quantities count.
func (e *Estimator) inWindow(in inputs) float64 {
	p, sum := e.share(in.leakageMM, in.width), 0.0
	for b := e.window[0]; b < e.window[1]; b++ {
		sum += p[b]
	}
	return sum
}

// share is what each bin holds of a pulse from a distance.
func (e *Estimator) share(mm, width float64) []float64 {
	p := make([]float64, e.bins)
	edges := e.edges
	if e.actual != nil {
		edges = e.actual
	}
	e.pulse.bins(edges, e.delayOf(mm), width, p, make([]float64, e.bins))
	return p
}

// search finds the smallest leakage, count per shot over the whole pulse, that
// exceeds the allowance in one of the conditions; false: none does.
func (e *Estimator) search(r Requirement, in inputs, all []Condition) (at float64, worst Condition, ok bool) {
	if over, c := e.worst(r, in, all, 0); over > 0 {
		return 0, c, true
	}
	low, high := 0.0, leastLeakage
	for {
		over, _ := e.worst(r, in, all, high)
		if over > 0 {
			break
		}
		if high >= mostLeakage {
			return 0, Condition{}, false
		}
		low, high = high, min(high*searchStep, mostLeakage)
	}
	for high-low > 1e-5*high {
		middle := (low + high) / 2
		if over, _ := e.worst(r, in, all, middle); over > 0 {
			high = middle
		} else {
			low = middle
		}
	}
	_, worst = e.worst(r, in, all, high)
	return high, worst, true
}

// worst is by how much the allowance is exceeded where it is most.
func (e *Estimator) worst(r Requirement, in inputs, all []Condition, leakage float64) (over float64, at Condition) {
	leak := e.share(in.leakageMM, in.width)
	over = math.Inf(-1)
	for _, c := range all {
		c.BiasMM, c.SDMM = e.inUse(r, in, c, leakage, leak)
		x := math.Abs(c.BiasMM) + r.K*c.SDMM - r.AllowanceMM
		if math.IsNaN(x) {
			x = math.Inf(1) // no range at all
		}
		if x > over {
			over, at = x, c
		}
	}
	return over, at
}

// inUse is the error of one range: its bias and its standard deviation.
func (e *Estimator) inUse(r Requirement, in inputs, c Condition, leakage float64, leak []float64) (bias, sd float64) {
	near := r.SignalAtMM + e.setup.DatumMM
	far := c.DistanceMM + e.setup.DatumMM
	rate := r.Signal * c.Reflectance / r.SignalReflectance * (near / far) * (near / far)
	p := e.share(c.RadialMM, in.width)
	net, vary := make([]float64, e.bins), make([]float64, e.bins)
	for b := range net {
		net[b] = rate * p[b]
	}
	clean, _ := e.unitRange(net, nil)
	more := in.change*leakage + r.Added
	before := 0.0 // counts per shot of the bins before: a first-photon unit has spent those shots
	for b := range net {
		now := rate*p[b] + (leakage+more)*leak[b] + c.Ambient
		net[b] += more * leak[b]
		vary[b] = now / float64(r.Shots)
		stored := leakage*leak[b] + c.Ambient
		if leak[b] == 0 {
			stored = 0 // nothing is stored there
		}
		vary[b] += stored / float64(r.CalibrationShots)
		if e.first {
			vary[b] = math.Expm1(now) * math.Exp(before) / float64(r.Shots)
			vary[b] += stored / float64(r.CalibrationShots)
			before += now
		}
	}
	ps, u := e.unitRange(net, vary)
	if e.setup.Ranging == RangingMean {
		u = e.meanNoise(net, vary, ps, r.AmbientBins)
	} else {
		ps, u = e.withGross(net, vary, ps, u, clean, e.delayOf(in.leakageMM))
	}
	bias = mmPerPS * (ps - clean)
	if e.actual != nil {
		bias += mmPerPS * (e.misplaced(net, e.delayOf(c.RadialMM)) - e.misplaced(make([]float64, e.bins), e.delayOf(near*c.RadialMM/far)))
	}
	return bias, mmPerPS * u
}

// withGross takes the ranges in that noise puts elsewhere: a fit that keeps the
// largest pulse takes another place, the leakage's above all, as often as the
// amplitude there is the larger one. It returns mean and standard deviation of
// all ranges together.
func (e *Estimator) withGross(net, vary []float64, ps, u, target, leakage float64) (mean, sd float64) {
	wide := e.pulse.fwhm
	if !(math.Abs(ps-target) <= wide) {
		ps, u = target, 0 // the leakage has won already: what is left counts in the shares below
	}
	here, weight := e.match(net, target)
	p, first, second := 0.0, 0.0, 0.0
	take := func(tau float64) {
		if math.Abs(tau-target) <= wide {
			return // one maximum with the target's
		}
		there, w := e.match(net, tau)
		var v float64
		for b, x := range vary {
			d := w[b] - weight[b]
			v += d * d * x
		}
		share := math.Erfc((here-there)/math.Sqrt(2*v)) / 2
		p += share
		first += share * (tau - ps)
		second += share * (tau - ps) * (tau - ps)
	}
	take(leakage)
	for tau := e.edges[0] + wide/2; tau < e.edges[e.bins]; tau += wide / 2 {
		if math.Abs(tau-leakage) > wide {
			take(tau)
		}
	}
	if p > 1 { // the shares were bounds, each by itself
		first, second, p = first/p, second/p, 1
	}
	return ps + first, math.Sqrt((1-p)*u*u + max(second-first*first, 0))
}

// match is how well the pulse at a delay, beside an ambient light, fits by
// unweighted least squares: the root of what it takes off the sum of squares,
// with the amplitude's sign. weight is what each bin counts in it.
func (e *Estimator) match(net []float64, tau float64) (m float64, weight []float64) {
	n := float64(e.bins)
	weight = make([]float64, e.bins)
	e.pulse.bins(e.edges, tau, 1, weight, make([]float64, e.bins))
	var mean, spread float64
	for _, p := range weight {
		mean += p / n
	}
	for b := range weight {
		weight[b] -= mean
		spread += weight[b] * weight[b]
	}
	if !(spread > 0) {
		return math.Inf(-1), weight // no bin sees it
	}
	spread = math.Sqrt(spread)
	for b := range weight {
		weight[b] /= spread
		m += weight[b] * net[b]
	}
	return m, weight
}

// meanNoise is the standard deviation of a signal-weighted mean whose ambient
// light was taken from the last bins.
func (e *Estimator) meanNoise(net, vary []float64, mean float64, last int) float64 {
	var signal, lever, v float64
	place := func(b int) float64 { return (e.edge(b)+e.edge(b+1))/2 - mean }
	for b, n := range net {
		signal += n
		lever += place(b)
	}
	for b, x := range vary {
		d := place(b)
		if b >= e.bins-last {
			d -= lever / float64(last)
		}
		v += d * d * x
	}
	return math.Sqrt(v) / signal
}
