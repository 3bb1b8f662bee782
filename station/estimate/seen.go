package estimate

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"

	"example.org/panecal/limits/quantity"
)

// seen asks whether the target stands before the zones: before enough of
// them, and as one plane. A match that noise alone may reach is believed only
// where most zones see the target surely and it comes from the same distance;
// else the zone has no signal, and no false range.
func (e *Estimator) seen(o *Offsets) {
	d := o.Reference.DistanceMM + e.setup.DatumMM
	g, spread := e.setup.Grid, e.setup.Checks.ZoneSpreadMM
	live, sure := 0, 0
	var dev []zoneDev
	for z, s := range o.Zones {
		if s.Flags&(Dead|Hot|Saturated) == 0 {
			live++
		}
		if s.Flags == Cut && !o.summary && o.fits[z].match < e.sure {
			o.lose(z) // noise at either end of the bins
		}
		if s.Flags != 0 || math.IsNaN(s.RangeMM) {
			continue
		}
		v := zoneDev{z: z, mm: s.RangeMM - d*g.sec(z), u: s.RangeUMM, sure: o.summary || o.fits[z].match >= e.sure}
		if v.sure {
			sure++
		}
		dev = append(dev, v)
	}
	slices.SortFunc(dev, func(a, b zoneDev) int { return cmp.Compare(a.mm, b.mm) })
	plane := planeOf(dev, 2*spread)
	kept := dev[:0]
	for _, v := range dev {
		if !v.sure && (2*sure < live || math.Abs(v.mm-plane) > 4*math.Hypot(spread, v.u)) {
			o.lose(v.z)
			continue
		}
		kept = append(kept, v)
	}
	o.odd = map[int]bool{}
	if share := e.setup.Checks.TargetShare; live > 0 && float64(len(kept)) < share*float64(live)-1e-9 {
		var zones []int
		for z, s := range o.Zones {
			if s.Flags&(Dead|Hot|Saturated) == 0 && (s.Flags != 0 || math.IsNaN(s.RangeMM)) {
				zones = append(zones, z)
			}
		}
		o.Faults = append(o.Faults, Fault{Code: FaultTargetMissing, Capture: "target", Zones: zones})
	}
	blind := 0
	for _, s := range o.Zones {
		if s.Flags&NoSignal != 0 {
			blind++
		}
	}
	o.Quantities.Put(quantity.ZonesNoSignal, float64(blind), 0)
	e.onePlane(o, kept, spread)
}

// zoneDev is by how much a zone sees the target elsewhere than stated.
type zoneDev struct {
	z     int
	mm, u float64
	sure  bool
}

// planeOf returns the middle of the largest group of zones, given in order,
// that lie within half of one another; of two as large, that nearer to the
// stated plane. Zones that are not sure do not count.
func planeOf(dev []zoneDev, half float64) float64 {
	best, at := 0, 0.0
	j, n, sum := 0, 0, 0.0
	for i, v := range dev {
		for j < len(dev) && dev[j].mm <= v.mm+2*half {
			if dev[j].sure {
				n++
				sum += dev[j].mm
			}
			j++
		}
		if mid := sum / float64(n); n > best || n == best && n > 0 && math.Abs(mid) < math.Abs(at) {
			best, at = n, mid
		}
		if dev[i].sure {
			n--
			sum -= v.mm
		}
	}
	return at
}

// onePlane finds zones that see another distance than the plane, beyond what
// zones differ by nature: one by far, or too many by less.
func (e *Estimator) onePlane(o *Offsets, dev []zoneDev, spread float64) {
	n := float64(len(dev))
	if n < 2 || !(spread > 0) {
		return
	}
	plane := planeOf(dev, 2*spread)
	p := e.setup.Checks.FamilyWise / 10
	limit := mathext.NormalQuantile(1 - p/(2*n))
	chi := 0.0
	for _, v := range dev {
		k := (v.mm - plane) / math.Hypot(spread, v.u)
		chi += k * k
		if math.Abs(k) > limit {
			o.odd[v.z] = true
		}
	}
	if mathext.GammaIncRegComp((n-1)/2, chi/2) > p {
		return
	}
	o.doubted = true
	for _, v := range dev {
		if math.Abs(v.mm-plane) > 2*math.Hypot(spread, v.u) {
			o.odd[v.z] = true
		}
	}
}

// lose takes back what was measured of a zone without a return.
func (o *Offsets) lose(z int) {
	s, nan := &o.Zones[z], math.NaN()
	s.RangeMM, s.RangeUMM, s.OffsetMM, s.OffsetUMM = nan, nan, nan, nan
	s.Signal, s.SignalU, s.Change, s.ChangeU = nan, nan, nan, nan
	s.Flags = s.Flags&^Cut | NoSignal
	s.Returns = nil
	o.fits[z] = targetResult{}
}

// accuse lists what does not fit: zones by themselves, all together, or
// another distance than the plane's. worst is the largest chi-square over
// what noise and allowances give.
func (o *Offsets) accuse(zones []int, together bool, worst float64) {
	for _, z := range zones {
		if o.Zones[z].Flags == 0 {
			o.odd[z] = true
		}
	}
	o.Quantities.Put(quantity.ZonesMisfit, float64(len(o.odd)), 0)
	if worst > 0 {
		o.Quantities.Put(quantity.TargetMisfit, worst, 0)
	}
	if !together && !o.doubted && len(o.odd) == 0 {
		return
	}
	var odd []int
	for z := range o.odd {
		odd = append(odd, z)
	}
	slices.Sort(odd)
	o.Faults = append(o.Faults, Fault{Code: FaultMisfit, Capture: "target", Zones: odd})
}
