package productmake

import (
	"fmt"
	"math"
	"slices"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/product"
	"example.org/panecal/station/survey"
)

// freeChange lets the leakage's change be found, whatever it is.
const freeChange = 0.05

// measure takes every quantity of each unit as a station will, with the file as
// it is, before the first target of the unit.
func (w *work) measure(p *product.Product, histograms bool) error {
	w.sets, w.answer.Faults = nil, []unitFault{}
	s := p.Setup
	if s.Budget.LeakageChangeU == 0 {
		s.Budget.LeakageChangeU = freeChange
	}
	e, err := estimate.New(s)
	if err != nil {
		return err
	}
	for _, sp := range w.specimens {
		set := quantity.Set{}
		take := func(q quantity.Set) {
			for n, m := range q {
				set[n] = m
			}
		}
		fault := func(all []estimate.Fault, capture string) {
			for _, f := range all {
				zones := f.Zones
				if zones == nil {
					zones = []int{}
				}
				w.answer.Faults = append(w.answer.Faults, unitFault{sp.label, capture, string(f.Code), zones})
			}
		}
		ref := estimate.Reference{DistanceMM: sp.lines[0].DistanceMM, DistanceUMM: sp.lines[0].DistanceUMM, EndStop: true}
		var l *estimate.Leakage
		var o *estimate.Offsets
		if histograms {
			if l, err = e.Empty(*sp.empty.histogram); err == nil {
				o, err = e.Target(l, *sp.targets[0].histogram, ref, nil)
			}
		} else if l, err = e.EmptySummary(*sp.empty.summary); err == nil {
			o, err = e.TargetSummary(l, *sp.targets[0].summary, ref)
		}
		if err != nil {
			return fmt.Errorf("unit %s: %w", sp.label, err)
		}
		take(l.Quantities)
		take(o.Quantities)
		fault(l.Faults, "empty")
		fault(o.Faults, "target")
		w.sets = append(w.sets, set)
	}
	w.bases = survey.BaseValues(w.sets)
	return nil
}

// base tells the base values, and of which quantities there are none.
func (w *work) base(histograms bool) {
	for _, b := range w.bases {
		if b.N < 2 {
			w.answer.undetermined(string(b.Name), "one unit does not tell what units are like; it has %.4g", b.Mean)
			continue
		}
		d, _ := quantity.Lookup(b.Name)
		w.answer.Found = append(w.answer.Found, found{Key: string(b.Name), Value: b.Mean, U: b.U, Unit: d.Unit, Spread: &spread{b.N, b.SD, b.SDU, b.Low, b.High}})
	}
	for _, d := range quantity.All() {
		if !slices.ContainsFunc(w.bases, func(b survey.Base) bool { return b.Name == d.Name }) {
			w.answer.undetermined(string(d.Name), "%s", untold(d.Name, histograms))
		}
	}
}

// untold is why a quantity has no base value.
func untold(n quantity.Name, histograms bool) string {
	switch n {
	case quantity.VerifyError, quantity.VerifyErrorFar, quantity.RangeErrorProjected:
		return "nothing is written into units here: the first units that are calibrated tell"
	case quantity.EstimatorDifference:
		return "units were not asked for ranges of their own"
	}
	if !histograms {
		return "units without histograms do not tell it"
	}
	return "no capture tells it"
}

// change is how much leakage differs between two captures: the laser's power.
func (w *work) change() {
	for _, b := range w.bases {
		if b.Name == quantity.LeakageChange && b.N >= 3 && !math.IsNaN(b.SD) && !w.draft.says("budget.leakage_change_u") {
			// What counts scatter by is not the laser's.
			own := math.Sqrt(max(b.SD*b.SD-b.MeasuredU*b.MeasuredU, 0))
			w.answer.Found = append(w.answer.Found, found{Key: "budget.leakage_change_u", Value: own, U: b.SDU, Unit: "1", Spread: &spread{b.N, own, b.SDU, b.Low, b.High}})
			w.draft.set("budget.leakage_change_u", b.High, fmt.Sprintf("sd %.2g of %d units; this is the end of its 95 %% interval", own, b.N))
			return
		}
	}
	if !w.draft.says("budget.leakage_change_u") {
		w.draft.set("budget.leakage_change_u", 0.02, standIn)
		w.answer.undetermined("budget.leakage_change_u", "fewer than three units tell how much leakage changes between two captures")
	}
}
