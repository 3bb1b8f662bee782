package whatif

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
)

// Unit is what one record of the sample says: every quantity with its zones and
// with the part of each uncertainty that is common to a nest.
type Unit struct {
	Nest string
	Set  quantity.Set
}

// Risk is what one limit does by itself, under the file tried.
type Risk struct {
	Name        quantity.Name `json:"name"`
	FalseAccept Share         `json:"false_accept"`
	FalseReject Share         `json:"false_reject"`
	Resolved    bool          `json:"resolved"` // the scatter holds more than the measurement's own
	Units       int           `json:"units"`    // that it was worked out from
	WorstNest   string        `json:"worst_nest"`
}

// mostKept is from how many attempts the scatter of a quantity is taken, at
// least, and twice as many at most.
const mostKept = 20_000

// scatter is what was found of one quantity without zones, nest by nest.
type scatter struct {
	limit *limits.Limit
	nests map[string]*found
}

type found struct{ v, u []float32 }

func (s *scatter) add(nest string, v, u float64) {
	if s.nests == nil {
		s.nests = map[string]*found{}
	}
	f := s.nests[nest]
	if f == nil {
		f = &found{}
		s.nests[nest] = f
	}
	f.v, f.u = append(f.v, float32(v)), append(f.u, float32(u))
}

// thin keeps every other attempt.
func (t *Trial) thin() {
	t.stride *= 2
	for i := range t.kept {
		for _, f := range t.kept[i].nests {
			half := (len(f.v) + 1) / 2
			for j := range half {
				f.v[j], f.u[j] = f.v[2*j], f.u[2*j]
			}
			f.v, f.u = f.v[:half], f.u[:half]
		}
	}
}

// sums are shares of units, times their number, of those that conform, are
// accepted, and both; and squares of the two that are false, for their scatter.
type sums struct {
	n, good, accepted, both float64
	accept2, reject2        float64
}

func (s *sums) unit(good, accepted, both float64) {
	s.n++
	s.good += good
	s.accepted += accepted
	s.both += both
	a, r := accepted-both, good-both
	s.accept2 += a * a
	s.reject2 += r * r
}

// widen takes in that the units' own variance was found as a difference: what is
// left of it after drawing towards the mean scatters by 1/shrink² more.
func (s *sums) widen(shrink float64) {
	if s.n == 0 || !(shrink > 0) {
		return
	}
	f := 1 / (shrink * shrink * shrink * shrink)
	a, r := s.n*square((s.accepted-s.both)/s.n), s.n*square((s.good-s.both)/s.n)
	s.accept2, s.reject2 = a+f*(s.accept2-a), r+f*(s.reject2-r)
}

func square(x float64) float64 { return x * x }

func (s *sums) plus(o sums) {
	s.n += o.n
	s.good += o.good
	s.accepted += o.accepted
	s.both += o.both
	s.accept2 += o.accept2
	s.reject2 += o.reject2
}

// effect is what a limit does at one guard factor: as resolved, and as if all
// scatter were the units' own.
type effect struct {
	is, widest sums
	resolved   bool
}

func (e *effect) plus(o effect) {
	e.is.plus(o.is)
	e.widest.plus(o.widest)
	e.resolved = e.resolved && o.resolved
}

// joint is what several limits do together, each independent of the others.
type joint struct {
	good, accepted, both float64 // products over the limits
	accept, reject       float64 // variances, summed
	none                 float64 // what may still be where nothing was seen
}

func (j *joint) times(s sums) {
	if s.n == 0 {
		return
	}
	j.good *= s.good / s.n
	j.accepted *= s.accepted / s.n
	j.both *= s.both / s.n
	a, r := (s.accepted-s.both)/s.n, (s.good-s.both)/s.n
	j.accept += (s.accept2/s.n - a*a) / s.n
	j.reject += (s.reject2/s.n - r*r) / s.n
	if 3/s.n > j.none {
		j.none = 3 / s.n
	}
}

func newJoint() joint { return joint{good: 1, accepted: 1, both: 1} }

const twoSided = 1.959963984540054 // 95 %, normal

// shares are the two risks with their bounds. wide is the same of what is not
// resolved.
func (j *joint) shares(wide joint) (accept, reject Share) {
	one := func(v, w, variance, none float64) Share {
		v, w = max(v, 0), max(w, 0)
		low, high := min(v, w), max(v, w)
		if v > 0 && v < 1 && variance > 0 {
			// As Wilson's interval of a share that scatters like that: one that is
			// small is not as far below as above.
			n := v * (1 - v) / variance
			low, _ = wilson(low, n)
			_, high = wilson(high, n)
		}
		if high < none && v < none {
			high = max(high, none)
		}
		return Share{Number(v), Number(low), Number(min(high, 1))}
	}
	return one(j.accepted-j.both, wide.accepted-wide.both, j.accept, j.none), one(j.good-j.both, wide.good-wide.both, j.reject, j.none)
}

// wilson is the interval of 95 % of a share found among n (E. B. Wilson, JASA 22
// (1927) 209).
func wilson(p, n float64) (low, high float64) {
	const z2 = twoSided * twoSided
	middle, half := p+z2/(2*n), twoSided*math.Sqrt(p*(1-p)/n+z2/(4*n*n))
	return max(0, (middle-half)/(1+z2/n)), min(1, (middle+half)/(1+z2/n))
}

// risks fills in all that is about risk.
func (t *Trial) risks(a *Answer, sample []Unit) {
	common := commonShares(sample)
	nests := map[string]*[2]joint{}
	total := [1 + guards]joint{newJoint(), newJoint(), newJoint(), newJoint()}
	wide := [1 + guards]joint{newJoint(), newJoint(), newJoint(), newJoint()}
	a.Risks, a.Guards = []Risk{}, []Guard{}
	for i := range t.columns {
		l := t.columns[i].l
		if l.Low == nil && l.High == nil {
			continue
		}
		e := t.effectOf(i, sample, common[l.Name])
		worst, most := "", math.Inf(-1)
		for _, nest := range sorted(e.nests) {
			one := e.nests[nest]
			if nests[nest] == nil {
				nests[nest] = &[2]joint{newJoint(), newJoint()}
			}
			nests[nest][0].times(one.is)
			if bad := (one.is.accepted + one.is.good - 2*one.is.both) / one.is.n; bad > most {
				worst, most = nest, bad
			}
		}
		whole := e.whole
		if whole.is.n == 0 {
			continue
		}
		alone, aloneWide := newJoint(), newJoint()
		alone.times(whole.is)
		aloneWide.times(whole.widest)
		r := Risk{Name: l.Name, Resolved: whole.resolved, Units: int(whole.is.n), WorstNest: worst}
		r.FalseAccept, r.FalseReject = alone.shares(aloneWide)
		a.Risks = append(a.Risks, r)
		total[0].times(whole.is)
		wide[0].times(whole.widest)
		for g := range guards {
			total[1+g].times(e.guards[g].is)
			wide[1+g].times(e.guards[g].widest)
		}
	}
	a.FalseAccept, a.FalseReject = total[0].shares(wide[0])
	if len(a.Risks) == 0 {
		unknown := Share{none(), none(), none()}
		a.FalseAccept, a.FalseReject = unknown, unknown
	}
	for g := range guards {
		guard := Guard{K: g, FirstPass: t.guards[g].first.share()}
		guard.FalseAccept, guard.FalseReject = total[1+g].shares(wide[1+g])
		if len(a.Risks) == 0 {
			guard.FalseAccept, guard.FalseReject = a.FalseAccept, a.FalseReject
		}
		a.Guards = append(a.Guards, guard)
	}
	most := math.Inf(-1)
	for _, nest := range sorted(nests) {
		j := nests[nest][0]
		if bad := j.accepted + j.good - 2*j.both; bad > most {
			a.WorstNest, most = nest, bad
		}
	}
}

func none() Number { return Number(math.NaN()) }

func sorted[T any](m map[string]T) []string {
	var names []string
	for n := range m {
		names = append(names, n)
	}
	slices.Sort(names)
	return names
}

// commonShares gives, of each quantity without zones, which share of u² is
// common to a nest.
func commonShares(sample []Unit) map[quantity.Name]float64 {
	common, all := map[quantity.Name]float64{}, map[quantity.Name]float64{}
	for _, u := range sample {
		for n, m := range u.Set {
			if m.U > 0 {
				common[n] += m.Common * m.Common
				all[n] += m.U * m.U
			}
		}
	}
	for n := range common {
		common[n] = min(1, common[n]/all[n])
	}
	return common
}

// limitEffect is what a limit does: nest by nest, all together, and all with
// guard factors 0, 1, 2.
type limitEffect struct {
	nests  map[string]effect
	whole  effect
	guards [guards]effect
}

// effectOf works a limit out, or remembers it.
func (t *Trial) effectOf(at int, sample []Unit, common float64) limitEffect {
	if e, ok := t.effects[at]; ok {
		return e
	}
	l := t.columns[at].l
	sum := func(nests map[string]effect) effect {
		whole := effect{resolved: true}
		for _, nest := range sorted(nests) {
			whole.plus(nests[nest])
		}
		return whole
	}
	e := limitEffect{nests: t.byNest(l, at, sample, common, l.K)}
	e.whole = sum(e.nests)
	for g := range e.guards {
		e.guards[g] = e.whole
		if k := float64(g); l.K != 0 && k != l.K {
			e.guards[g] = sum(t.byNest(l, at, sample, common, k))
		}
	}
	if t.effects != nil && at != t.moving {
		t.effects[at] = e
	}
	return e
}

// byNest works a limit out at a guard factor, nest by nest.
func (t *Trial) byNest(l *limits.Limit, at int, sample []Unit, common, k float64) map[string]effect {
	out := map[string]effect{}
	if !l.Zoned {
		for nest, f := range t.kept[at].nests {
			out[nest] = f.effect(l, common, k)
		}
		return out
	}
	byNest := map[string][][]quantity.Value{}
	for _, u := range sample {
		if m, ok := u.Set[l.Name]; ok && len(m.Zones) > 0 {
			byNest[u.Nest] = append(byNest[u.Nest], m.Zones)
		}
	}
	for nest, units := range byNest {
		out[nest] = zoneEffect(l, units, k)
	}
	return out
}

// sides are the specification limits, infinite where open.
func sides(l *limits.Limit) (low, high float64) {
	low, high = math.Inf(-1), math.Inf(1)
	if l.Low != nil {
		low = *l.Low
	}
	if l.High != nil {
		high = *l.High
	}
	return low, high
}

// inside is the share of a normal distribution inside an interval.
func inside(x, sd, low, high float64) float64 {
	const far = 9
	switch {
	case low > high:
		return 0
	case !(sd > 0):
		if x < low || x > high {
			return 0
		}
		return 1
	case x-low > far*sd && high-x > far*sd:
		return 1
	case low-x > far*sd || x-high > far*sd:
		return 0
	}
	n := distuv.UnitNormal
	a, b := (low-x)/sd, (high-x)/sd
	if a > 0 {
		a, b = -b, -a
	}
	return max(n.CDF(b)-n.CDF(a), 0)
}

// effect works a quantity without zones out in one nest.
func (f *found) effect(l *limits.Limit, common, k float64) effect {
	low, high := sides(l)
	mean, variance := moments(f.v)
	own := 0.0
	for _, u := range f.u {
		if u == u {
			own += float64(u) * float64(u) * (1 - common)
		}
	}
	own /= float64(max(len(f.u), 1))
	shrink, resolved := 0.0, variance > own
	if resolved {
		shrink = math.Sqrt((variance - own) / variance)
	}
	resolved = resolved || variance == 0 && own == 0
	run := func(shrink float64) (s sums) {
		for i := range f.v {
			x, u := mean+shrink*(float64(f.v[i])-mean), float64(f.u[i])
			if u != u {
				u = 0
			}
			good := inside(x, u*math.Sqrt(common), low, high)
			accepted := inside(x, u*math.Sqrt(1-common), low+k*u, high-k*u)
			s.unit(good, accepted, good*accepted)
		}
		return s
	}
	e := effect{is: run(shrink), resolved: resolved}
	e.is.widen(shrink)
	if e.widest = e.is; !resolved {
		e.widest = run(1)
	}
	return e
}

func moments(v []float32) (mean, variance float64) {
	if len(v) == 0 {
		return 0, 0
	}
	for _, x := range v {
		mean += float64(x)
	}
	mean /= float64(len(v))
	if len(v) < 2 {
		return mean, 0
	}
	for _, x := range v {
		d := float64(x) - mean
		variance += d * d
	}
	return mean, variance / float64(len(v)-1)
}

// zoneEffect works a quantity with zones out in one nest. What was found in a
// zone is the zone's mean over the units, what the unit has more than others,
// and the rest; each but the first is drawn towards 0 by what its own
// uncertainty explains.
func zoneEffect(l *limits.Limit, units [][]quantity.Value, k float64) effect {
	low, high := sides(l)
	zones := 0
	for _, u := range units {
		zones = max(zones, len(u))
	}
	mean, n := make([]float64, zones), make([]float64, zones)
	for _, u := range units {
		for z, v := range u {
			if !math.IsNaN(v.V) {
				mean[z] += v.V
				n[z]++
			}
		}
	}
	for z := range mean {
		mean[z] /= max(n[z], 1)
	}
	more := make([]float64, len(units)) // of each unit
	var rest, own, count, unitVariance, unitOwn float64
	for i, u := range units {
		m, o, c := 0.0, 0.0, 0.0
		for z, v := range u {
			if !math.IsNaN(v.V) {
				m += v.V - mean[z]
				if w := v.Own(); w == w {
					o += w * w
				}
				c++
			}
		}
		if c == 0 {
			continue
		}
		more[i] = m / c
		for z, v := range u {
			if !math.IsNaN(v.V) {
				d := v.V - mean[z] - more[i]
				rest += d * d
			}
		}
		own += o
		count += c
		unitVariance += more[i] * more[i]
		unitOwn += o / (c * c)
	}
	all := float64(len(units))
	freedom := max(1, count-all-float64(zones)+1) // of the rest, after a mean a zone and one a unit
	restVariance, zoneOwn := rest/freedom, own/max(count, 1)
	if zones == 1 {
		restVariance, zoneOwn = 0, 0
	}
	unitVariance /= max(1, all-1)
	unitOwn /= max(1, all)
	toward := func(variance, own float64) (float64, bool) {
		if variance == 0 && own == 0 {
			return 1, true
		}
		if variance > own {
			return math.Sqrt((variance - own) / variance), true
		}
		return 0, false
	}
	zoneShrink, resolvedZone := toward(restVariance, zoneOwn)
	unitShrink, resolvedUnit := toward(unitVariance, unitOwn)
	run := func(unitShrink, zoneShrink float64) (s sums) {
		for i, u := range units {
			at := func(z int) float64 { return mean[z] + unitShrink*more[i] + zoneShrink*(u[z].V-mean[z]-more[i]) }
			accepted, common := 1.0, 0.0
			for z, v := range u {
				if math.IsNaN(v.V) {
					continue
				}
				w := v.U
				if w != w {
					w = 0
				}
				accepted *= inside(at(z), v.Own(), low+k*w, high-k*w)
				common = max(common, v.Common)
			}
			good, shifts := 0.0, shiftsOf(common)
			for _, shift := range shifts {
				all := 1.0
				for z, v := range u {
					if !math.IsNaN(v.V) {
						all *= inside(at(z)-shift, 0, low, high)
					}
				}
				good += all / float64(len(shifts))
			}
			s.unit(good, accepted, good*accepted)
		}
		return s
	}
	e := effect{is: run(unitShrink, zoneShrink), resolved: resolvedZone && resolvedUnit}
	e.is.widen(unitShrink)
	if e.widest = e.is; !e.resolved {
		e.widest = run(1, 1)
	}
	return e
}

// shiftsOf are equally likely errors of a nest with that standard uncertainty.
func shiftsOf(common float64) []float64 {
	if !(common > 0) {
		return []float64{0}
	}
	const n = 16
	out := make([]float64, n)
	for i := range out {
		out[i] = common * distuv.UnitNormal.Quantile((float64(i)+0.5)/n)
	}
	return out
}
