package survey

import (
	"math"
	"slices"
)

// trace is one return as one zone of one unit saw it in one capture.
type trace struct {
	fold               int // of those that are left out together
	unit, zone, target int // target -1: the leakage of the empty capture

	first       int       // bin
	rate, risk  []float64 // of the bins from first on
	under       []float64 // another return in the same bins, counts per shot
	tau, a      float64   // delay of the pulse's mean in ps, counts per shot
	b, b0, b0V  float64   // ambient per bin; as the empty bins tell it, and its variance
	spread      float64   // sd of the arrival over the zone's area, ps
	tauV        float64   // variance of tau
	significant bool
}

// gross is what a return looks like before any pulse is known.
type gross struct{ mean, sd, rate float64 }

// moments are those of net rates in [from, to).
func (a Axis) moments(net []float64, from, to int) (g gross) {
	var s, s1, s2 float64
	for b := from; b < to; b++ {
		t := a.edge(b) + a.BinPS/2
		s += net[b]
		s1 += net[b] * t
		s2 += net[b] * t * t
	}
	if s <= 0 {
		return gross{}
	}
	m := s1 / s
	return gross{mean: m, sd: math.Sqrt(max(s2/s-m*m, 0)), rate: s}
}

// around finds the highest return of net rates and its moments, within the bins
// whose rate is above a hundredth of the highest.
func (a Axis) around(net []float64) gross {
	top := 0
	for b := range net {
		if net[b] > net[top] {
			top = b
		}
	}
	least := net[top] / 100
	from, to := top, top+1
	for from > 0 && net[from-1] > least {
		from--
	}
	for to < len(net) && net[to] > least {
		to++
	}
	return a.moments(net, max(from-1, 0), min(to+1, len(net)))
}

func median(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	if len(s) == 0 {
		return 0
	}
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}

// lateReach is how much later than the pulse light by other paths is looked
// for, ps: 2 ns is 30 cm.
const lateReach = 2000

// seeds makes the traces of all units, with start values, and tells the pulse's
// gross width.
func (a Axis) seeds(units []Unit) (all []*trace, sd float64) {
	var widths []float64
	type pair struct{ near, far *trace }
	var pairs []pair
	for i, u := range units {
		for z := range a.Zones() {
			er, en := a.rates(u.Empty, z)
			base := median(er)
			net := make([]float64, a.Bins)
			for b := range net {
				net[b] = er[b] - base
			}
			near := a.around(net)
			leak := &trace{unit: i, zone: z, target: -1, rate: er, risk: en, tau: near.mean, a: near.rate, b0: base}
			noise := base / float64(u.Empty.Shots)
			leak.significant = near.rate > 0 && near.rate*near.rate > 400*(near.rate/float64(u.Empty.Shots)+noise*10)
			if leak.significant {
				widths = append(widths, near.sd)
			}
			all = append(all, leak)
			for k, t := range u.Targets {
				tr, tn := a.rates(t.Histogram, z)
				for b := range net {
					net[b] = tr[b] - er[b]
				}
				far := a.around(net)
				f := &trace{unit: i, zone: z, target: k, rate: tr, risk: tn, tau: far.mean, a: far.rate, b0: base}
				f.significant = far.rate > 0 && far.rate*far.rate > 400*(far.rate/float64(t.Histogram.Shots)+noise*10)
				if f.significant {
					widths = append(widths, far.sd)
				}
				all = append(all, f)
				pairs = append(pairs, pair{leak, f})
			}
		}
	}
	sd = median(widths)
	sd = math.Sqrt(max(sd*sd-a.BinPS*a.BinPS/12, a.BinPS*a.BinPS/16))
	for _, t := range all {
		a.ambient(t, sd)
	}
	for _, p := range pairs {
		// The empty field tells the ambient light of both.
		p.far.b, p.far.b0, p.far.b0V = p.near.b0, p.near.b0, p.near.b0V
	}
	for _, t := range all {
		from := a.binOf(t.tau - 5.5*sd)
		to := a.binOf(t.tau+9*sd+lateReach) + 1
		if t.target < 0 {
			to = a.binOf(t.tau+9*sd+lateReach/2) + 1
		}
		t.first = from
		t.rate, t.risk = t.rate[from:to], t.risk[from:to]
		t.under = make([]float64, to-from)
	}
	return all, sd
}

func (a Axis) binOf(t float64) int {
	return min(max(int(math.Floor((t-a.FirstPS)/a.BinPS)), 0), a.Bins-1)
}

// ambient takes it from the bins of the empty capture that no light of the unit
// reaches.
func (a Axis) ambient(t *trace, sd float64) {
	if t.target >= 0 {
		return
	}
	var sum, n, risk float64
	for b, r := range t.rate {
		at := a.edge(b)
		if t.risk[b] > 0 && (at+a.BinPS < t.tau-5.5*sd || at > t.tau+9*sd || !t.significant) {
			sum += r
			risk += t.risk[b]
			n++
		}
	}
	if n == 0 {
		t.b, t.b0V = t.b0, t.b0*t.b0+1e-12
		return
	}
	t.b0 = sum / n
	t.b = t.b0
	t.b0V = max(t.b0, 1/risk) / risk
}
