package estimate

import "math"

// comb is the product's pulse in bins of the nominal width, which is good
// enough to begin a fit, with its mode at a fixed place within a bin: share[j] falls into bin j+off counted from the bin that holds the mode.
type comb struct {
	place       float64 // of the mode within its bin, in bins
	off         int
	share       []float64
	core, last  int     // share[core:last] holds all but the faint flanks
	sum, square float64 // of the shares in there
}

// phases is how many places within a bin a scan tries.
const phases = 2

func (e *Estimator) makeCombs() []comb {
	w := e.setup.BinPS
	combs := make([]comb, phases)
	for k := range combs {
		place := (float64(k) + 0.5) / phases
		shift := place*w - e.pulse.mode // delay that puts the mode there in bin 0
		n := float64(e.bins)
		lo := int(max(math.Floor((shift+e.pulse.lo)/w), -n))
		hi := int(min(math.Ceil((shift+e.pulse.hi)/w), n))
		c := comb{place: place, off: lo, share: make([]float64, hi-lo)}
		edges, d := make([]float64, hi-lo+1), make([]float64, hi-lo)
		for j := range edges {
			edges[j] = float64(lo+j) * w
		}
		e.pulse.bins(edges, shift, 1, c.share, d)
		top := 0.0
		for _, s := range c.share {
			top = max(top, s)
		}
		c.last = len(c.share)
		for c.core < c.last-1 && c.share[c.core] < 0.05*top {
			c.core++
		}
		for c.last > c.core+1 && c.share[c.last-1] < 0.05*top {
			c.last--
		}
		for _, p := range c.share[c.core:c.last] {
			c.sum += p
			c.square += p * p
		}
		combs[k] = c
	}
	return combs
}

// delay is that of a pulse with its mode at place k of bin b.
func (e *Estimator) delay(b, k int) float64 {
	return e.edge(b) + e.combs[k].place*e.setup.BinPS - e.pulse.mode
}

// candidate is a place where a return may begin a fit.
type candidate struct {
	tau, rate, z float64
}

// scanner correlates the pulse with a rate at every bin (every half bin for a
// pulse narrower than two), by weighted least squares in which an ambient and a share of the leakage (with g's
// prior) are fitted along.
type scanner struct {
	num, a, b, c []float64 // per bin: weighted rate, weight, weight·leakage
	z            []float64 // per place
	s            []float64
	found        [3]candidate
}

func newScanner(bins int) scanner {
	f := func(n int) []float64 { return make([]float64, n) }
	return scanner{num: f(bins), a: f(bins), b: f(bins), c: f(bins), z: f(phases * bins), s: f(phases * bins)}
}

// run fills s.found with the best places in descending order and returns how
// many: all that come near the best one. rate and variance are per bin; leak
// (nil for none) is the leakage's rate per bin, ug the prior sd of its gain.
func (s *scanner) run(e *Estimator, rate, variance, leak []float64, ug float64, from, to int) int {
	var s1, sm, smm, sr, srm float64
	with := leak != nil && ug > 0
	for b := range rate {
		w := 1 / variance[b]
		s.a[b] = w
		s1 += w
		sr += w * rate[b]
		if with {
			m := leak[b]
			s.c[b] = w * m
			sm += w * m
			smm += w * m * m
			srm += w * m * rate[b]
		}
	}
	// Solve for ambient and gain without a return, and take them off.
	var g11, g12, g22, am, gm float64
	if with {
		smm += 1 / (ug * ug)
		det := s1*smm - sm*sm
		if !(det > 1e-12*s1*smm) {
			with = false
		} else {
			g11, g12, g22 = smm/det, -sm/det, s1/det
			am, gm = g11*sr+g12*srm, g12*sr+g22*srm
		}
	}
	if !with {
		g11, am = 1/s1, sr/s1
	}
	for b := range rate {
		r := rate[b] - am
		if with {
			r -= gm * leak[b]
		}
		s.num[b] = r * s.a[b]
	}
	best := 0.0
	for b := from; b < to; b++ {
		for k := range e.steps {
			c := &e.combs[k]
			j0, j1 := c.core, c.last
			lo := b + c.off
			if lo+j0 < 0 {
				j0 = -lo
			}
			if lo+j1 > e.bins {
				j1 = e.bins - lo
			}
			var num, den, e1, em float64
			if j0 < j1 {
				share := c.share[j0:j1]
				sn, sa := s.num[lo+j0:lo+j1], s.a[lo+j0:lo+j1]
				sn, sa = sn[:len(share)], sa[:len(share)]
				if with {
					sc := s.c[lo+j0 : lo+j1][:len(share)]
					for j, p := range share {
						pw := p * sa[j]
						num += p * sn[j]
						e1 += pw
						den += p * pw
						em += p * sc[j]
					}
				} else {
					for j, p := range share {
						pw := p * sa[j]
						num += p * sn[j]
						e1 += pw
						den += p * pw
					}
				}
			}
			den -= g11*e1*e1 + 2*g12*e1*em + g22*em*em
			i := b*e.steps + k
			if den > 0 {
				s.z[i] = num / math.Sqrt(den)
				s.s[i] = num / den
			} else {
				s.z[i], s.s[i] = 0, 0
			}
			best = max(best, s.z[i])
		}
	}
	return s.peaks(e, from*e.steps, to*e.steps, best)
}

// peaks keeps the local maxima that reach 0.6 of the best and lie at least a
// pulse's width from a higher one.
func (s *scanner) peaks(e *Estimator, from, to int, best float64) int {
	n := 0
	apart := max(e.pulse.fwhm, e.setup.BinPS)
	for i := from; i < to; i++ {
		z := s.z[i]
		if z <= 0 || z < 0.6*best || i > from && s.z[i-1] > z || i+1 < to && s.z[i+1] >= z {
			continue
		}
		c := candidate{tau: e.delay(i/e.steps, i%e.steps), rate: s.s[i], z: z}
		if i > from && i+1 < to { // the top of the parabola through three places
			if l, r := z-s.z[i-1], z-s.z[i+1]; l+r > 0 {
				c.tau += (l - r) / (l + r) / 2 * e.setup.BinPS / float64(e.steps)
			}
		}
		at := n
		for at > 0 && s.found[at-1].z < z {
			at--
		}
		near := false
		for _, f := range s.found[:at] {
			near = near || math.Abs(f.tau-c.tau) < apart
		}
		if near || at == len(s.found) {
			continue
		}
		n = min(n+1, len(s.found))
		copy(s.found[at+1:n], s.found[at:n-1])
		s.found[at] = c
		keep := at + 1
		for j := at + 1; j < n; j++ {
			if math.Abs(s.found[j].tau-c.tau) >= apart {
				s.found[keep] = s.found[j]
				keep++
			}
		}
		n = keep
	}
	return n
}
