package whatif

import (
	"math"
	"slices"

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
		guard := Guard{K: g, FirstPass: t.guards[g].share()}
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
