package estimate

import (
	"math"

	"example.org/panecal/limits/quantity"
)

// quantities puts the empty capture's quantities. A flagged zone takes no
// part; a sum over one side of the grid is a mean over its unflagged zones,
// so that a zone that is missing does not count as imbalance.
func (l *Leakage) quantities(e *Estimator, h Histogram, sigma float64) {
	q := l.Quantities
	n := e.zones
	leak := make([]quantity.Value, n)
	ambient := make([]quantity.Value, n)
	rate := make([]quantity.Value, n)
	var total, totalV, dist, distV float64
	var nd, dead, hot, used int
	for i, z := range l.Zones {
		nan := quantity.Value{V: math.NaN(), U: math.NaN()}
		leak[i], ambient[i], rate[i] = nan, nan, nan
		if z.Flags&Dead != 0 {
			dead++
		}
		if z.Flags&Hot != 0 {
			hot++
		}
		if z.Flags != 0 {
			continue
		}
		used++
		leak[i] = quantity.Value{V: z.Leakage, U: z.LeakageU}
		ambient[i] = quantity.Value{V: z.Ambient, U: z.AmbientU}
		if !l.summary {
			rate[i] = quantity.Value{V: z.Rate, U: math.Sqrt(z.Rate / float64(l.shots))}
		}
		total += z.Leakage
		totalV += z.LeakageU * z.LeakageU
		if !math.IsNaN(z.DistanceMM) {
			dist += z.DistanceMM
			distV += z.DistanceUMM * z.DistanceUMM
			nd++
		}
	}
	q.Put(quantity.ZonesDead, float64(dead), 0)
	q.Put(quantity.ZonesHot, float64(hot), 0)
	if !math.IsNaN(h.TempCel) {
		q.Put(quantity.Temperature, h.TempCel, e.setup.Budget.TempU)
	}
	if used == 0 {
		return
	}
	q[quantity.LeakageMax] = quantity.Worst(leak)
	q[quantity.AmbientMax] = quantity.Worst(ambient)
	q.Put(quantity.LeakageTotal, total, math.Sqrt(totalV))
	if nd > 0 {
		q.Put(quantity.LeakageDistance, dist/float64(nd), math.Sqrt(distV)/float64(nd))
	}
	rows, cols := e.setup.Grid.Rows, e.setup.Grid.Cols
	l.balance(quantity.LeakageXBalance, func(i int) int { return side(i%cols, cols) })
	l.balance(quantity.LeakageYBalance, func(i int) int { return -side(i/cols, rows) })
	if l.summary {
		return
	}
	q[quantity.RateMax] = quantity.Worst(rate)
	q.Put(quantity.StraySignificance, sigma, 1)
	l.late()
}

// side is −1 in the first half of n, +1 in the last, 0 in the middle one.
func side(i, n int) int {
	switch {
	case i < n/2:
		return -1
	case i >= (n+1)/2:
		return 1
	}
	return 0
}

// balance puts (plus − minus)/(plus + minus) of the two sides' leakage.
func (l *Leakage) balance(name quantity.Name, of func(int) int) {
	var sum, v [2]float64
	var n [2]float64
	for i, z := range l.Zones {
		s := of(i)
		if s == 0 || z.Flags != 0 {
			continue
		}
		k := (s + 1) / 2
		sum[k] += z.Leakage
		v[k] += z.LeakageU * z.LeakageU
		n[k]++
	}
	if n[0] == 0 || n[1] == 0 {
		return
	}
	minus, plus := sum[0]/n[0], sum[1]/n[1]
	vm, vp := v[0]/(n[0]*n[0]), v[1]/(n[1]*n[1])
	t := plus + minus
	if !(t > 0) {
		return
	}
	u := 2 / (t * t) * math.Sqrt(minus*minus*vp+plus*plus*vm)
	l.Quantities.Put(name, (plus-minus)/t, u)
}

// late puts the share of the leakage that comes later than one full width at
// half maximum behind its own peak.
func (l *Leakage) late() {
	var late, total, vl, vt, vlt float64
	for i, f := range l.fits {
		if l.Zones[i].Flags != 0 {
			continue
		}
		late += f.late
		total += f.total
		vl += f.lateV
		vt += f.totalV
		vlt += f.lateTotalV
	}
	if !(total > 0) || total < 3*math.Sqrt(vt) {
		return
	}
	s := late / total
	l.Quantities.Put(quantity.LeakageLate, s, math.Sqrt(max(0, vl-2*s*vlt+s*s*vt))/total)
}
