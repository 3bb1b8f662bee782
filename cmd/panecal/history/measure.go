package history

import (
	"math"
	"math/rand/v2"
	"slices"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/estimate"
	"example.org/panecal/store/record"
)

// measurement is what one attempt brought, and what was true of it.
type measurement struct {
	set, truth quantity.Set
	zones      record.Zones
	budget     []record.Budget
	projection []float64
	constants  estimate.Constants
	tempCel    float64
	captures   []record.CaptureRef
	verify     quantity.Measured // after writing
	verifyTrue quantity.Measured
}

// scene is what an attempt finds beside the unit itself.
type scene struct {
	causes  []Cause
	dirt    float64                   // leakage grows by that factor
	tilt    float64                   // deg, of the seat
	shiftMM float64                   // of the nest's target, unknown to the station
	warm    float64                   // K
	common  map[quantity.Name]float64 // errors of the nest, in units of the common uncertainty
	target  record.Target
}

// measure gives what the station finds of a unit. r is the attempt's own.
func (u *unit) measure(s *scene, r *rand.Rand) *measurement {
	p := u.of
	n := p.zones()
	m := &measurement{set: make(quantity.Set, 28), truth: make(quantity.Set, 28), tempCel: math.NaN()}
	z := &m.zones
	z.Rows, z.Cols, z.Flags = p.rows, p.cols, make([][]string, n)
	for i, dead := range u.dead {
		if dead {
			z.Flags[i] = []string{"dead"}
		}
	}
	for i := range p.spreads {
		sp := &p.spreads[i]
		d, _ := quantity.Lookup(sp.name)
		true_ := u.truth[sp.name]
		if d.Zoned {
			u.measureZones(m, sp, true_, s, r)
			continue
		}
		v := true_[0]
		switch sp.name {
		case quantity.SeatTilt:
			v += s.tilt
		case quantity.Temperature:
			v += s.warm
		case quantity.LeakageLate:
			v *= 1 + 0.02*(s.dirt-1)
		}
		m.put(sp, v, s, r)
	}
	u.sums(m, r)
	m.budget = budget(m.set[quantity.OffsetMean].Value, s.target.DistanceUMM)
	if p.histograms {
		one := m.set[quantity.OffsetMean].V
		z.OffsetMM, z.OffsetUMM = make([]float64, n), make([]float64, n)
		z.RangeMM, z.RangeUMM, z.UnitRangeMM = make([]float64, n), make([]float64, n), make([]float64, n)
		for i := range n {
			z.OffsetMM[i] = one + 0.8*r.NormFloat64()
			z.OffsetUMM[i] = 0.45 + 0.02*r.Float64()
			z.RangeMM[i] = u.radial(i, s.target.DistanceMM) + z.OffsetMM[i]
			z.RangeUMM[i] = 0.15 + 0.05*r.Float64()
			z.UnitRangeMM[i] = z.RangeMM[i] + 0.3*r.NormFloat64()
			z.AmbientTarget = append(z.AmbientTarget, z.Ambient[i]*(1+0.01*r.NormFloat64()))
			z.LeakageDistanceMM = append(z.LeakageDistanceMM, m.set[quantity.LeakageDistance].V+0.7*r.NormFloat64())
		}
	} else {
		o := m.set[quantity.OffsetMean]
		z.OffsetMM, z.OffsetUMM = []float64{o.V}, []float64{o.U}
		z.RangeMM, z.RangeUMM = []float64{s.target.DistanceMM + 1.6 + o.V}, []float64{0.6}
		z.UnitRangeMM = slices.Clone(z.RangeMM)
		z.Signal, z.SignalU = []float64{0.0024 * (1 + 0.04*r.NormFloat64())}, []float64{0.00002}
		z.LeakageDistanceMM = []float64{m.set[quantity.LeakageDistance].V}
	}
	for i, dead := range u.dead {
		if dead {
			for _, list := range [][]float64{z.Leakage, z.LeakageU, z.Ambient, z.AmbientU, z.Signal, z.SignalU, z.RangeMM, z.RangeUMM, z.OffsetMM, z.OffsetUMM, z.LeakageDistanceMM, z.AmbientTarget, z.UnitRangeMM} {
				if len(list) > 0 {
					list[i] = math.NaN()
				}
			}
		}
	}
	m.tempCel = math.Round(m.set[quantity.Temperature].V*1000) / 1000
	m.projection = []float64{0.0004 * r.NormFloat64(), 0.0006 * r.NormFloat64(), m.set[quantity.RangeErrorProjected].V}
	m.constants = u.constants(m, r)
	return m
}

// radial is the distance that a zone sees.
func (u *unit) radial(zone int, mm float64) float64 {
	x := (float64(zone%u.of.cols) - float64(u.of.cols-1)/2) * 2 * math.Tan(24*math.Pi/180) / 9
	y := (float64(zone/u.of.cols) - float64(u.of.rows-1)/2) * 2 * math.Tan(17*math.Pi/180) / 6
	return (mm + 1.6) * math.Sqrt(1+x*x+y*y)
}

// put measures a quantity without zones.
func (m *measurement) put(s *spread, v float64, at *scene, r *rand.Rand) {
	m.truth[s.name] = quantity.Measured{Value: quantity.Value{V: v}}
	got := quantity.Value{V: v, U: math.NaN()}
	if !math.IsNaN(s.own) {
		got = quantity.Value{V: v + s.own*r.NormFloat64(), U: math.Hypot(s.own, s.common), Common: s.common}
		if s.common > 0 {
			got.V += s.common * at.common[s.name]
		}
		if s.name == quantity.OffsetMean {
			got.V += at.shiftMM
		}
	}
	if s.positive {
		got.V = math.Abs(got.V)
	}
	m.set[s.name] = quantity.Measured{Value: got}
}

// measureZones measures a quantity with zones.
func (u *unit) measureZones(m *measurement, s *spread, is []float64, at *scene, r *rand.Rand) {
	n := len(is)
	got, truth := make([]quantity.Value, n), make([]quantity.Value, n)
	v, w := make([]float64, n), make([]float64, n)
	for z := range is {
		x := is[z]
		own := s.own
		if s.name == quantity.LeakageMax {
			x *= at.dirt
		}
		if s.relative { // counting: u grows with the root of what is counted
			own *= math.Sqrt(max(x, 0) / s.mean)
		}
		truth[z] = quantity.Value{V: x}
		got[z] = quantity.Value{V: x + own*r.NormFloat64(), U: own}
		if u.dead != nil && u.dead[z] {
			got[z], truth[z] = quantity.Value{V: math.NaN(), U: math.NaN()}, quantity.Value{V: math.NaN()}
		}
		v[z], w[z] = got[z].V, got[z].U
	}
	pick := quantity.Worst
	switch s.name {
	case quantity.LeakageMax:
		m.zones.Leakage, m.zones.LeakageU = v, w
	case quantity.AmbientMax:
		m.zones.Ambient, m.zones.AmbientU = v, w
	case quantity.SignalMin:
		m.zones.Signal, m.zones.SignalU = v, w
		pick = quantity.Least
	case quantity.VerifyError:
		m.verify, m.verifyTrue = quantity.Worst(got), quantity.Worst(truth)
		return
	}
	m.set[s.name], m.truth[s.name] = pick(got), pick(truth)
}

// sums adds what follows from the zones.
func (u *unit) sums(m *measurement, r *rand.Rand) {
	p := u.of
	dead := 0
	for _, d := range u.dead {
		if d {
			dead++
		}
	}
	both := func(n quantity.Name, truth, v, w float64) {
		m.truth[n] = quantity.Measured{Value: quantity.Value{V: truth}}
		m.set[n] = quantity.Measured{Value: quantity.Value{V: v, U: w}}
	}
	both(quantity.ZonesDead, float64(dead), float64(dead), 0)
	both(quantity.ZonesHot, 0, 0, 0)
	leak, is := m.set[quantity.LeakageMax].Zones, m.truth[quantity.LeakageMax].Zones
	var t, v, w float64
	for z := range leak {
		if !math.IsNaN(leak[z].V) {
			t, v, w = t+is[z].V, v+leak[z].V, w+leak[z].U*leak[z].U
		}
	}
	both(quantity.LeakageTotal, t, v, math.Sqrt(w))
	if !p.histograms {
		both(quantity.SignalRatio, 1, 1, 0)
		return
	}
	signal, lit := m.set[quantity.SignalMin].Zones, m.truth[quantity.SignalMin].Zones
	ambient := m.set[quantity.AmbientMax].Zones
	rate, rated := make([]quantity.Value, len(signal)), make([]quantity.Value, len(signal))
	var least, most, leastTrue, mostTrue = math.Inf(1), 0.0, math.Inf(1), 0.0
	for z := range signal {
		x := signal[z].V + leak[z].V + 96*ambient[z].V
		rate[z], rated[z] = quantity.Value{V: x, U: math.Sqrt(max(x, 0) / 1e6)}, quantity.Value{V: lit[z].V + is[z].V + 96*m.truth[quantity.AmbientMax].Zones[z].V}
		if !math.IsNaN(signal[z].V) {
			least, most = min(least, signal[z].V), max(most, signal[z].V)
			leastTrue, mostTrue = min(leastTrue, lit[z].V), max(mostTrue, lit[z].V)
		}
	}
	m.set[quantity.RateMax], m.truth[quantity.RateMax] = quantity.Worst(rate), quantity.Worst(rated)
	both(quantity.SignalRatio, leastTrue/mostTrue, least/most, 0.003)
	x, y := func(z int) float64 { return float64(z%p.cols) - float64(p.cols-1)/2 }, func(z int) float64 { return float64(p.rows-1)/2 - float64(z/p.cols) }
	for _, b := range []struct {
		name quantity.Name
		side func(int) float64
	}{{quantity.LeakageXBalance, x}, {quantity.LeakageYBalance, y}} {
		truth, _ := balance(is, b.side)
		got, u := balance(leak, b.side)
		both(b.name, truth, got, u)
	}
	both(quantity.ZonesMisfit, 0, 0, 0)
	both(quantity.ZonesNoSignal, 0, 0, 0)
}

// balance is (plus − minus)/(plus + minus) of the two sides' means.
func balance(zones []quantity.Value, side func(int) float64) (v, u float64) {
	var sum, variance, n [2]float64
	for z := range zones {
		s := side(z)
		if s == 0 || math.IsNaN(zones[z].V) {
			continue
		}
		k := 0
		if s > 0 {
			k = 1
		}
		sum[k], variance[k], n[k] = sum[k]+zones[z].V, variance[k]+zones[z].U*zones[z].U, n[k]+1
	}
	minus, plus := sum[0]/n[0], sum[1]/n[1]
	vm, vp := variance[0]/(n[0]*n[0]), variance[1]/(n[1]*n[1])
	t := plus + minus
	return (plus - minus) / t, 2 / (t * t) * math.Sqrt(minus*minus*vp+plus*plus*vm)
}

// budget has the lines of an offset's uncertainty that make its two parts.
func budget(offset quantity.Value, distanceU float64) []record.Budget {
	rest := math.Sqrt(max(0, offset.Common*offset.Common-distanceU*distanceU))
	return []record.Budget{
		{Line: "counting", MM: 0.0228}, {Line: "leakage", MM: 0.0029}, {Line: "leakage change", MM: 0.0002},
		{Line: "target distance", MM: distanceU}, {Line: "direction", MM: 0.055}, {Line: "temperature", MM: 0.0225},
		{Line: "pulse shape", MM: 0.117}, {Line: "bin widths", MM: math.Sqrt(max(0, offset.Own()*offset.Own()-0.117*0.117))},
		{Line: "multipath", MM: rest}, {Line: "quantisation", MM: 4.4e-06},
	}
}

// constants are what the station would store.
func (u *unit) constants(m *measurement, r *rand.Rand) estimate.Constants {
	n := u.of.zones()
	c := estimate.Constants{LeakageRate: make([]float64, n), OffsetMM: make([]float64, n), TempRefCel: 25}
	for z := range n {
		c.LeakageRate[z], c.OffsetMM[z] = m.zones.Leakage[z], m.zones.OffsetMM[z]
		if math.IsNaN(c.LeakageRate[z]) {
			c.LeakageRate[z], c.OffsetMM[z] = 0, 0
		}
	}
	if !u.of.histograms {
		return c
	}
	const first, bins = 8, 18
	c.FirstBin, c.LeakageBins = first, make([][]float64, n)
	flat := make([]float64, n*bins)
	for z := range n {
		c.LeakageBins[z] = flat[z*bins : (z+1)*bins]
		for b := range bins {
			x := (float64(b) - 5) / 1.4
			c.LeakageBins[z][b] = c.LeakageRate[z]*0.28*math.Exp(-x*x/2) + 1e-5*r.NormFloat64()
		}
	}
	return c
}
