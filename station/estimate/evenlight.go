package estimate

import (
	"fmt"
	"math"
)

// CountsPerBin is how many counts a bin must have, over all zones of a unit,
// before its width is believed: 200,000 leave 0.22 %, a tenth of the usual
// allowance.
const CountsPerBin = 200_000

// BinWidths is what captures of even light say of the bins, in ps. Light that
// is even in time falls into a bin by its width alone (the code density test,
// common practice for time-to-digital converters: J. Doernberg, H.-S. Lee,
// D. A. Hodges, IEEE J. Solid-State Circuits 19, 820, 1984, from
// memory, there for converters of voltage). The widths are shares of the whole axis, whose
// length is the product's clock's and is not measured here.
type BinWidths struct {
	WidthPS  []float64 // of each bin; together they are as long as the nominal axis
	WidthUPS []float64 // standard uncertainty by counts and by what units differ
	// EdgePS is how far each edge, from the left one of bin 0 to the right one
	// of the last bin, is from its nominal place; EdgeUPS the standard
	// uncertainty by counts and by what units differ. The widths are not
	// independent, because their sum is fixed: the uncertainty of a sum of
	// bins is that of its edges, least at both ends.
	EdgePS, EdgeUPS []float64
	Differential    float64 // rms of width over nominal less 1, counting noise taken off
	IntegralPS      float64 // rms of EdgePS, counting noise taken off
	ZoneRel         float64 // relative sd of a bin's width between the zones of a unit
	UnitEdgePS      float64 // sd of an edge between units; NaN with one unit
	Faults          []Fault // of the captures, which are then not to be used
}

// BinWidths measures the bins from captures with the emitter off and the
// field lit evenly in time: one for each unit, because a product can be told
// only what its units share. Pile-up is undone first. Errors wrap ErrCapture:
// a shape that does not fit, a bin with fewer than [CountsPerBin].
func (e *Estimator) BinWidths(units ...Histogram) (BinWidths, error) {
	if len(units) == 0 {
		return BinWidths{}, fmt.Errorf("%w: no capture of even light", ErrCapture)
	}
	nb := e.bins
	out := BinWidths{WidthPS: make([]float64, nb), WidthUPS: make([]float64, nb), EdgePS: make([]float64, nb+1), EdgeUPS: make([]float64, nb+1), UnitEdgePS: math.NaN()}
	edges := make([][]float64, len(units)) // departures from the nominal place
	countV := make([]float64, nb+1)
	var zones float64
	for i, h := range units {
		u, err := e.evenLight(h)
		if err != nil {
			return BinWidths{}, fmt.Errorf("even light of unit %d: %w", i+1, err)
		}
		out.Faults = append(out.Faults, u.faults...)
		edges[i] = u.edge
		zones += u.zoneV / float64(len(units))
		for k, v := range u.edgeV {
			out.EdgePS[k] += u.edge[k] / float64(len(units))
			countV[k] += v / float64(len(units))
		}
		for b, v := range u.widthV {
			out.WidthUPS[b] += v / float64(len(units)*len(units))
			out.Differential -= v / (e.setup.BinPS * e.setup.BinPS) / float64(nb*len(units)*len(units))
		}
	}
	n := float64(len(units))
	var between float64
	for k := range countV {
		u2 := countV[k] / n
		if len(units) > 1 {
			s2 := 0.0
			for i := range units {
				d := edges[i][k] - out.EdgePS[k]
				s2 += d * d / (n - 1)
			}
			between += (s2 - countV[k]) / float64(nb-1) // both ends are fixed
			u2 = max(u2, s2/n)
		}
		out.EdgeUPS[k] = math.Sqrt(u2)
		out.IntegralPS += (out.EdgePS[k]*out.EdgePS[k] - u2) / float64(nb-1)
	}
	if len(units) > 1 {
		out.UnitEdgePS = math.Sqrt(max(0, between))
	}
	for b := range out.WidthPS {
		d := out.EdgePS[b+1] - out.EdgePS[b]
		out.WidthPS[b] = e.setup.BinPS + d
		if len(units) > 1 {
			s2 := 0.0
			for _, x := range edges {
				k := x[b+1] - x[b] - d
				s2 += k * k / (n - 1)
			}
			out.WidthUPS[b] = max(out.WidthUPS[b], s2/n)
		}
		out.WidthUPS[b] = math.Sqrt(out.WidthUPS[b])
		out.Differential += d * d / (e.setup.BinPS * e.setup.BinPS) / float64(nb)
	}
	out.Differential = math.Sqrt(max(0, out.Differential))
	out.IntegralPS = math.Sqrt(max(0, out.IntegralPS))
	out.ZoneRel = math.Sqrt(max(0, zones))
	return out, nil
}

// evenUnit is what one unit's capture says: edges from their nominal places,
// variances by counts (ps²), and the relative variance of a width between
// zones.
type evenUnit struct {
	edge, edgeV, widthV []float64
	zoneV               float64
	faults              []Fault
}

func (e *Estimator) evenLight(h Histogram) (evenUnit, error) {
	if err := e.checkHistogram(h); err != nil {
		return evenUnit{}, err
	}
	nb := e.bins
	u := evenUnit{edge: make([]float64, nb+1), edgeV: make([]float64, nb+1), widthV: make([]float64, nb)}
	x, risk, rate, vary := make([]float64, nb), make([]float64, nb), make([]float64, nb), make([]float64, nb)
	sum, sumV, counts := make([]float64, nb), make([]float64, nb), make([]float64, nb)
	flags, ceiling := make([]ZoneLeakage, e.zones), e.ceiling(h.Counts)
	shares, used := make([][]float64, e.zones), 0
	for z := range e.zones {
		c := h.Counts[z*nb : (z+1)*nb]
		exhausted := e.load(h.Shots, c, x, risk, rate, vary)
		if flags[z].Flags = e.countFlags(c, ceiling, exhausted); flags[z].Flags != 0 {
			continue
		}
		used++
		zone := make([]float64, 2*nb)
		for b := range nb {
			v := e.rateVariance(rate[b], x[b], risk[b])
			sum[b] += rate[b]
			sumV[b] += v
			counts[b] += x[b]
			zone[b], zone[nb+b] = rate[b], v
		}
		shares[z] = zone
	}
	fr := e.checkFrames(h, func(z int) bool { return flags[z].Flags != 0 })
	u.faults = e.captureFaults("even light", flags, fr, nil)
	whole, wholeV := 0.0, 0.0
	for b, c := range counts {
		if c < CountsPerBin {
			return u, fmt.Errorf("%w: bin %d has %.0f counts, want %d: take more shots or more light", ErrCapture, b, c, CountsPerBin)
		}
		whole += sum[b]
		wholeV += sumV[b]
	}
	length := float64(nb) * e.setup.BinPS
	part, partV := 0.0, 0.0
	for b := range nb {
		f := sum[b] / whole
		u.widthV[b] = length * length * ((1-f)*(1-f)*sumV[b] + f*f*(wholeV-sumV[b])) / (whole * whole)
		part += sum[b]
		partV += sumV[b]
		f = part / whole
		u.edge[b+1] = f*length - float64(b+1)*e.setup.BinPS
		// A share of a whole that it belongs to: the covariances between bins
		// are what the whole being fixed makes of independent counts.
		u.edgeV[b+1] = length * length * ((1-f)*(1-f)*partV + f*f*(wholeV-partV)) / (whole * whole)
	}
	u.edge[nb], u.edgeV[nb] = 0, 0
	if used > 1 {
		var over float64
		for _, zone := range shares {
			if zone == nil {
				continue
			}
			total := 0.0
			for _, r := range zone[:nb] {
				total += r
			}
			for b := range nb {
				want := sum[b] / whole * total
				d := zone[b]/want - 1
				over += d*d*float64(used)/float64(used-1) - zone[nb+b]/(want*want)
			}
		}
		u.zoneV = over / float64(used*nb)
	}
	return u, nil
}
