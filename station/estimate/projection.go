package estimate

import "math"

// Project returns, for each perpendicular distance and zone ([distance][zone],
// mm, NaN where a zone was not measured), the error that a unit with the
// constants c would make in its range if its leakage were (1 + change) times
// what was measured: the product's own way of ranging, run on the return that
// the target would give there (signal falling with the square of the radial
// distance) plus the leakage that c does not take off. Where the bins' widths
// are known but not to the unit, the places of the bins add what they differ
// by from the distance of the calibration. It is free of noise, ambient and
// offset.
func (e *Estimator) Project(c Constants, l *Leakage, o *Offsets, change float64, distancesMM []float64) [][]float64 {
	out := make([][]float64, len(distancesMM))
	net := make([]float64, e.bins)
	for i, d := range distancesMM {
		out[i] = make([]float64, e.zones)
		for z := range out[i] {
			out[i][z] = math.NaN()
			s := &o.Zones[z]
			if s.Flags != 0 || math.IsNaN(s.Signal) {
				continue
			}
			r0 := (o.Reference.DistanceMM + e.setup.DatumMM) * e.setup.Grid.sec(z)
			r := (d + e.setup.DatumMM) * e.setup.Grid.sec(z)
			rate := s.Signal * (r0 / r) * (r0 / r)
			if o.summary {
				left := l.Zones[z].Leakage*(1+change) - c.LeakageRate[z]
				out[i][z] = mixed(rate, r+s.OffsetMM, left, l.Zones[z].DistanceMM) - (r + s.OffsetMM)
				continue
			}
			tau := e.delayOf(r + s.OffsetMM)
			leak := l.reachedNet(e, z)
			stored := c.bins(e.bins, z)
			for b := range leak {
				leak[b] = (1+change)*leak[b] - stored[b]
			}
			e.expectedNet(net, rate, tau, nil, 0)
			clean, _ := e.unitRange(net, nil)
			e.expectedNet(net, rate, tau, leak, 1)
			with, _ := e.unitRange(net, nil)
			places := 0.0
			if e.actual != nil {
				places = e.misplaced(net, tau) - e.misplaced(net, e.delayOf(r0+s.OffsetMM))
			}
			out[i][z] = mmPerPS * (with - clean + places)
		}
	}
	return out
}

// misplaced is how much longer (ps) the unit ranges a return because it takes
// all bins for equal. net is memory to work in.
func (e *Estimator) misplaced(net []float64, tau float64) float64 {
	e.expectedNet(net, 1, tau, nil, 0)
	even, _ := e.unitRange(net, nil)
	e.pulse.bins(e.actual, tau, 1, net, make([]float64, len(net)))
	real, _ := e.unitRange(net, nil)
	return real - even
}

// mixed is the range of a return of the given rate at distance d with leakage
// of rate left at distance dx in it, as a signal-weighted mean sees them.
func mixed(rate, d, left, dx float64) float64 {
	if left == 0 {
		return d
	}
	return (rate*d + left*dx) / (rate + left)
}
