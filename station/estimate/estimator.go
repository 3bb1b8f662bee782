package estimate

import (
	"fmt"
	"math"
	"sync"
)

// Estimator computes the measurement model for one product. It never changes
// after New and may be used by several goroutines at once; what it returns
// belongs to the caller.
type Estimator struct {
	setup  Setup
	zones  int
	bins   int
	first  bool // first-photon pile-up
	pulse  *shape
	edges  []float64   // left edge of each bin and the end of the last, from that of bin 0
	wide   []float64   // width of each bin over the nominal one
	actual []float64   // edges as they are, where the unit does not range with them; else nil
	combs  []comb      // the pulse binned at several places within a bin
	late   []int       // bins by which late light is late, where it is looked for
	tails  [][]float64 // what tails hold at these delays
	steps  int         // how many of them the search for a start needs
	window [2]int      // bins wholly inside the leakage window
	unseen [2]int      // bins that leakage may reach that is too weak to be found
	sure   float64     // a match that a clean capture does not reach by noise
	pool   sync.Pool
}

// New prepares an Estimator. The setup's slices are not copied and must not
// change afterwards. Errors wrap ErrSetup.
func New(s Setup) (*Estimator, error) {
	s = s.withDefaults()
	if err := s.validate(); err != nil {
		return nil, err
	}
	p, err := newShape(s.Pulse)
	if err != nil {
		return nil, err
	}
	e := &Estimator{setup: s, zones: s.Grid.Zones(), bins: s.Bins, first: s.PileUp == FirstPhoton, pulse: p}
	// A long thin tail must leave some bins to measure the ambient in.
	for _, eps := range []float64{1e-9, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3} {
		if p.hi-p.lo <= 0.4*float64(s.Bins)*s.BinPS {
			break
		}
		p.reach(eps)
	}
	e.edges, e.wide = s.axis()
	if s.BinWidthsPS != nil && !s.UnitBinWidths {
		e.actual = e.edges
		e.edges, e.wide = Setup{Bins: s.Bins, BinPS: s.BinPS}.axis()
	}
	from, to := s.LeakageWindowPS[0]-s.FirstBinPS, s.LeakageWindowPS[1]-s.FirstBinPS
	e.window = [2]int{e.binAt(from - 1e-9*s.BinPS), e.binAt(to + 1e-9*s.BinPS)}
	if e.edge(e.window[0]) < from-1e-9*s.BinPS && e.window[0] < s.Bins {
		e.window[0]++
	}
	if e.window[0] >= e.window[1] {
		return nil, fmt.Errorf("%w: no bin lies wholly inside the leakage window %g to %g ps", ErrSetup, s.LeakageWindowPS[0], s.LeakageWindowPS[1])
	}
	e.combs, e.steps = e.makeCombs(), 1
	e.late = s.lateBins()
	e.tails = e.makeTails()
	if p.sd < s.BinPS {
		e.steps = phases
	}
	if e.unseen = e.window; 2*(e.window[1]-e.window[0]) > s.Bins {
		e.unseen = e.reached((s.LeakageWindowPS[0]+s.LeakageWindowPS[1])/2-s.FirstBinPS-p.mode, 0)
	}
	e.sure = e.strayThreshold(s.Checks.FamilyWise / 10)
	return e, nil
}

// Setup returns what the Estimator was made from, defaults filled in.
func (e *Estimator) Setup() Setup { return e.setup }

// axis returns the left edges of the bins and the end of the last, counted
// from that of bin 0, and the bins' widths over the nominal one.
func (s Setup) axis() (edges, wide []float64) {
	edges, wide = make([]float64, s.Bins+1), make([]float64, s.Bins)
	for b := range wide {
		wide[b] = 1
		edges[b+1] = float64(b+1) * s.BinPS
		if s.BinWidthsPS != nil {
			wide[b] = s.BinWidthsPS[b] / s.BinPS
			edges[b+1] = edges[b] + s.BinWidthsPS[b]
		}
	}
	return edges, wide
}

// even tells that the fits take all bins for equally wide.
func (e *Estimator) even() bool { return e.setup.BinWidthsPS == nil || !e.setup.UnitBinWidths }

// edge is the left edge of a bin. Inside the package times and delays count
// from that of bin 0, so that where the axis begins changes no rounding.
func (e *Estimator) edge(b int) float64 { return e.edges[b] }

// binAt is the bin that holds time t, 0 before the axis, the number of bins
// behind it.
func (e *Estimator) binAt(t float64) int {
	if !(t > 0) {
		return 0
	}
	b := int(min(t/e.setup.BinPS, float64(e.bins)))
	for b > 0 && e.edges[b] > t {
		b--
	}
	for b < e.bins && e.edges[b+1] <= t {
		b++
	}
	return b
}

// distance is that of a return with a delay.
func (e *Estimator) distance(tau float64) float64 { return mmPerPS * (tau + e.setup.FirstBinPS) }

// delayOf is the delay of a return from a distance.
func (e *Estimator) delayOf(mm float64) float64 { return mm/mmPerPS - e.setup.FirstBinPS }

// reached returns the bins that a pulse of delay tau reaches, widened by
// margin on both sides.
func (e *Estimator) reached(tau, margin float64) [2]int {
	from, to := tau+e.pulse.lo-margin, tau+e.pulse.hi+margin
	last := e.binAt(to)
	if last < e.bins && to > e.edges[last] {
		last++
	}
	return [2]int{e.binAt(from), last}
}

// worker is the memory of one running estimate. Its loops over zones
// allocate nothing.
type worker struct {
	e        *Estimator
	z        zone
	leakBins [2]int
	c        cells
	scan     scanner
	min      minimiser
	zf       zoneFit
	ef       emptyFit
	stray    strayTest
	misfit   misfitTest
	pair     pairFit
	row      [maxPar]float64
	p, q     []float64
	d        []float64
}

func (e *Estimator) worker() *worker {
	if w, ok := e.pool.Get().(*worker); ok {
		return w
	}
	n := e.bins
	cut := func() []float64 { return make([]float64, n) }
	w := &worker{
		e: e,
		z: zone{x: cut(), y: cut(), re: cut(), rt: cut(), lx: cut(), ly: cut(), vx: cut(), vy: cut()},
		c: newCells(n, e.wide), scan: newScanner(n), stray: newStrayTest(n), misfit: newMisfitTest(n), pair: newPairFit(n), p: cut(), q: cut(), d: cut(),
	}
	return w
}

// load fills one side of a zone's data: counts, shots at risk, rates. It
// reports whether the shots at risk ran out.
func (e *Estimator) load(shots int64, counts []uint32, x, risk, rate, variance []float64) (exhausted bool) {
	n := float64(shots)
	if !e.first {
		k := 1 / n
		for b, c := range counts {
			h := float64(c)
			x[b], risk[b], rate[b], variance[b] = h, n, h*k, (h+1)*k*k
		}
		return false
	}
	for b, c := range counts {
		h := float64(c)
		x[b], risk[b] = h, n
		if h >= n {
			// Nothing can be said of this bin: leave it out.
			exhausted = true
			risk[b], rate[b], variance[b] = 0, 0, math.Inf(1)
			n = 0
			continue
		}
		rate[b], variance[b] = -math.Log1p(-h/n), (h+1)/(n*(n-h))
		n -= h
	}
	return exhausted
}
