package estimate

import "math"

// cells are the bins of one zone as a fit sees them: the bins that a return
// may reach one by one, and all others together as a last cell. Merging those
// loses nothing, because only their common ambient is fitted, and it makes
// the fit of a dark zone well behaved. Rates are per shot per bin; exposures
// are numbers of shots, summed over the bins of a merged cell.
type cells struct {
	n      int       // cells, the merged one included
	merged bool      // the last cell is a merged one
	bin    []int     // bin of each single cell
	x, y   []float64 // counts of the empty and the target capture
	re, rt []float64 // shots at risk
	p, dp  []float64 // share of the pulse and its derivative by delay
	k      []float64 // width over the nominal one: what an even light puts into a cell
	m, mu  []float64 // rates: empty, target
	runs   [2][2]int // the single cells are these runs of bins
	wide   []float64 // of the bins, over the nominal one
}

func newCells(bins int, wide []float64) cells {
	buf := make([]float64, 9*(bins+1))
	cut := func() []float64 {
		s := buf[: bins+1 : bins+1]
		buf = buf[bins+1:]
		return s
	}
	return cells{
		bin: make([]int, bins+1),
		x:   cut(), y: cut(), re: cut(), rt: cut(), p: cut(), dp: cut(), k: cut(), m: cut(), mu: cut(), wide: wide,
	}
}

// zone is one zone's data: counts and shots at risk of both captures.
type zone struct {
	x, y     []float64
	re, rt   []float64 // shots at risk, per bin
	lx, ly   []float64 // rates as counted: Coates, or counts over shots
	vx, vy   []float64 // their variances with one count added, for start values only
	useEmpty bool
}

// gather sorts the bins of z: bins of the runs alone, the rest merged. A bin
// with no shot at risk in either capture is left out. A run may be empty.
func (c *cells) gather(z *zone, runA, runB [2]int) {
	if runB[0] < runA[0] {
		runA, runB = runB, runA
	}
	if runB[0] <= runA[1] {
		runA, runB = [2]int{runA[0], max(runA[1], runB[1])}, [2]int{}
	}
	c.runs = [2][2]int{runA, runB}
	c.n = 0
	var fx, fy, fe, ft, fk float64
	put := func(b int) {
		if z.rt[b] <= 0 || z.useEmpty && z.re[b] <= 0 {
			return
		}
		i := c.n
		c.n++
		c.bin[i] = b
		c.x[i], c.y[i], c.re[i], c.rt[i] = z.x[b], z.y[b], z.re[b], z.rt[b]
		c.m[i], c.mu[i], c.k[i] = z.lx[b], z.ly[b], c.wide[b]
	}
	far := func(b0, b1 int) {
		for b := b0; b < b1; b++ {
			if z.rt[b] <= 0 || z.useEmpty && z.re[b] <= 0 {
				continue
			}
			fx += z.x[b]
			fy += z.y[b]
			fe += z.re[b]
			ft += z.rt[b]
			fk += z.rt[b] * c.wide[b]
		}
	}
	end := 0
	for _, r := range c.runs {
		if r[0] == r[1] {
			continue
		}
		far(end, r[0])
		for b := r[0]; b < r[1]; b++ {
			put(b)
		}
		end = r[1]
	}
	far(end, len(z.x))
	if c.merged = ft > 0; c.merged {
		i := c.n
		c.n++
		c.bin[i] = -1
		c.x[i], c.y[i], c.re[i], c.rt[i] = fx, fy, fe, ft
		c.m[i], c.mu[i], c.k[i] = fx/max(fe, 1), fy/ft, fk/ft
		c.p[i], c.dp[i] = 0, 0
	}
}

// aim sets p and dp of the single cells for a pulse of delay tau.
func (c *cells) aim(e *Estimator, tau float64) {
	i := 0
	single := c.n
	if c.merged {
		single--
	}
	var F, f float64
	last := -2
	for ; i < single; i++ {
		b := c.bin[i]
		if b != last+1 {
			F, f = e.pulse.at(e.edge(b) - tau)
		}
		G, g := e.pulse.at(e.edge(b+1) - tau)
		c.p[i], c.dp[i] = G-F, f-g
		F, f, last = G, g, b
	}
}

// profile returns the rates m of the empty and mu = s + g·m of the target
// cell that are most likely given the return's rate s: the root of
// x/m − ne + g·(y/mu − nt) = 0 with m and mu not negative. It is written so
// that no difference of nearly equal numbers is taken.
func profile(x, y, ne, nt, s, g float64) (m, mu float64) {
	k, c := ne+nt*g, (x+y)*g
	if s >= 0 {
		b := k*s - c
		r := math.Sqrt(b*b + 4*k*g*x*s)
		if b > 0 {
			m = 2 * x * s / (b + r)
		} else {
			m = (r - b) / (2 * k * g)
		}
		return m, s + g*m
	}
	b := k*s + c
	r := math.Sqrt(b*b - 4*k*y*s*g)
	if b < 0 {
		mu = -2 * y * s * g / (r - b)
	} else {
		mu = (r + b) / (2 * k)
	}
	return (mu - s) / g, mu
}
