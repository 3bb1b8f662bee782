package estimate

import (
	"fmt"
	"math"
	"slices"

	"example.org/panecal/limits/quantity"
)

// EmptySummary estimates leakage of a unit without histograms: its signal
// where there is no target.
func (e *Estimator) EmptySummary(s Summary) (*Leakage, error) {
	if err := e.checkSummary(s); err != nil {
		return nil, fmt.Errorf("empty capture: %w", err)
	}
	l := &Leakage{
		Zones: make([]ZoneLeakage, e.zones), Quantities: quantity.Set{}, summary: true,
		shots: s.Shots, tempCel: s.TempCel, width: math.NaN(), widthU: math.NaN(), ranges: slices.Clone(s.Zones),
	}
	for z, q := range s.Zones {
		out := &l.Zones[z]
		*out = ZoneLeakage{q.Signal, q.SignalU, q.RangeMM, q.RangeUMM, q.Ambient, q.AmbientU, math.NaN(), summaryFlags(q)}
		// Without leakage its distance is the range of noise.
		if !(q.Signal > minSignificance*q.SignalU) {
			out.DistanceMM, out.DistanceUMM = math.NaN(), math.NaN()
		}
	}
	e.flagHot(l.Zones)
	l.quantities(e, Histogram{TempCel: s.TempCel}, math.NaN())
	l.Faults = e.captureFaults("empty", l.Zones, frames{}, nil)
	return l, nil
}

func summaryFlags(q SummaryZone) Flags {
	if q.Signal == 0 && q.Ambient == 0 || math.IsNaN(q.Signal) {
		return Dead
	}
	return 0
}

// TargetSummary estimates the offset of a unit without histograms. Its range
// is a signal-weighted mean of return and leakage, and is un-mixed as one.
func (e *Estimator) TargetSummary(l *Leakage, s Summary, ref Reference) (*Offsets, error) {
	if err := e.checkSummary(s); err != nil {
		return nil, fmt.Errorf("target capture: %w", err)
	}
	if err := ref.check(); err != nil {
		return nil, err
	}
	if !l.summary || len(l.Zones) != e.zones {
		return nil, fmt.Errorf("%w: the empty capture is not a summary of this product", ErrCapture)
	}
	o := &Offsets{
		Zones: make([]ZoneOffset, e.zones), Quantities: quantity.Set{}, Reference: ref,
		summary: true, shots: s.Shots, fits: make([]targetResult, e.zones),
	}
	own := make([]ZoneLeakage, e.zones)
	for z, q := range s.Zones {
		nan := math.NaN()
		own[z] = ZoneLeakage{Ambient: q.Ambient, AmbientU: q.AmbientU, Flags: summaryFlags(q)}
		o.Zones[z] = ZoneOffset{nan, nan, nan, nan, nan, nan, q.Ambient, nan, nan, nan, l.Zones[z].Flags | own[z].Flags, nil}
	}
	e.flagHot(own)
	for z, q := range s.Zones {
		out := &o.Zones[z]
		out.Flags |= own[z].Flags
		if out.Flags&Dead != 0 {
			continue
		}
		e.unmix(&l.Zones[z], q, out, &o.fits[z])
	}
	o.Faults = e.captureFaults("target", own, frames{}, nil)
	e.seen(o)
	o.accuse(nil, false, 0)
	e.finish(l, o, s.TempCel, 0, nil)
	return o, nil
}

// unmix solves d_app = (S·d + L·d_x)/(S + L) for the return's distance d.
// The unit's signal is S + L. Where the unit saw no leakage there is nothing
// to take off.
//
// Source of the mean: mixed pixels, Hebert and Krotkov (1992).
func (e *Estimator) unmix(l *ZoneLeakage, q SummaryZone, out *ZoneOffset, f *targetResult) {
	left, leftU, dx, dxU := l.Leakage, l.LeakageU, l.DistanceMM, l.DistanceUMM
	if math.IsNaN(dx) {
		left, dx, dxU = 0, 0, 0
	}
	s := q.Signal - left
	su := math.Hypot(q.SignalU, leftU)
	if !(s > minSignificance*su) || math.IsNaN(q.RangeMM) {
		out.Flags |= NoSignal
		return
	}
	d := (q.RangeMM*q.Signal - left*dx) / s
	counting := math.Hypot(q.Signal/s*q.RangeUMM, (q.RangeMM-d)/s*q.SignalU)
	leakage := math.Hypot((d-dx)/s*leftU, left/s*dxU)
	if left == 0 {
		leakage = 0
	}
	f.perGain = (d - dx) / s * left / mmPerPS
	f.change = f.perGain * e.setup.Budget.LeakageChangeU
	f.counting, f.leakage = counting/mmPerPS, leakage/mmPerPS
	f.found, f.rate, f.rateU, f.g = true, s, su, 1
	out.RangeMM, out.RangeUMM = d, math.Sqrt(counting*counting+leakage*leakage+mmPerPS*mmPerPS*f.change*f.change)
	out.Signal, out.SignalU = s, su
}

// summaryParts are the lines of one zone's offset: those of zoneParts that a
// summary can show.
func (e *Estimator) summaryParts(o *Offsets, z int, tempCel float64) parts {
	return e.zoneParts(&Leakage{width: math.NaN()}, o, z, tempCel, 0)
}
