package estimate_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/estimate"
)

// simUnit ranges as a unit's firmware does, by code of its own: stored leakage
// and ambient off, then the mean time or a least-squares pulse by a fine
// search, less the stored offset.
func simUnit(g *source, c estimate.Constants, z int, counts []float64, ambient float64, mean bool) float64 {
	net := make([]float64, len(counts))
	for b, v := range counts {
		net[b] = v - ambient
		if i := b - c.FirstBin; i >= 0 && i < len(c.LeakageBins[z]) {
			net[b] -= c.LeakageBins[z][i]
		}
	}
	if mean {
		s, t := 0.0, 0.0
		for b, v := range net {
			s += v
			t += v * (g.first + (float64(b)+0.5)*g.w)
		}
		return halfC*t/s - c.OffsetMM[z]
	}
	best, at := math.Inf(1), 0.0
	try := func(tau float64) {
		// Size and ambient by normal equations.
		var pp, p1, pv, v1, vv float64
		n := float64(len(net))
		for b, v := range net {
			p := g.share(b, tau, 1)
			pp += p * p
			p1 += p
			pv += p * v
			v1 += v
			vv += v * v
		}
		det := pp*n - p1*p1
		a, k := (pv*n-v1*p1)/det, (v1*pp-pv*p1)/det
		if r := vv - a*pv - k*v1; a > 0 && r < best {
			best, at = r, tau
		}
	}
	for tau := g.first; tau < g.first+g.w*float64(len(net)); tau += g.w / 4 {
		try(tau)
	}
	for step := g.w / 8; step > 1e-4; step /= 2 {
		from := at
		try(from - step)
		try(from + step)
	}
	return halfC*at - c.OffsetMM[z]
}

// The projection against a simulated unit that carries the stored constants:
// the error that more leakage brings, at five distances, both ways of ranging.
func TestProjectionAgreesWithAUnit(t *testing.T) {
	distances := []float64{100, 200, 400, 800, 1200}
	for _, ranging := range []string{estimate.RangingMean, estimate.RangingPulse} {
		c := scene{leak: 0.2, photons: 1e6, shotsT: 4_000_000, distance: 200, perBin: 20, setup: hopper(2, 3)}.withDefaults()
		c.setup.Ranging, c.setup.Corrects, c.setup.Offsets = ranging, estimate.CorrectsUnit, estimate.OffsetsZones
		c.setup.Tilt = estimate.TiltUnit
		e := estimator(t, c.setup)
		u := c.make(rand.New(rand.NewPCG(4, 4)))
		l, o := measure(t, e, u)
		k := e.Constants(l, o)
		g := newSource(c.setup, rand.New(rand.NewPCG(4, 5)))
		nt := float64(c.shotsT)
		for _, change := range []float64{0, 0.5, -0.3} {
			got := e.Project(k, l, o, change, distances)
			for i, d := range distances {
				for z := 0; z < 6; z += 2 {
					radial := d * sec(c.setup, z)
					scale := (200 / d) * (200 / d)
					if ranging == estimate.RangingMean && 0.2*math.Abs(change) > 0.5*scale {
						continue // more leakage than return: a mean time then means nothing
					}
					tr := truth{leak: 0.2 * 1e6 / nt * (1 + change), leakTau: (3 + u.offset[z]) / halfC, ambient: 20 / nt, signal: 1e6 / nt * scale, tau: (radial + u.offset[z]) / halfC, ambientTarget: 20 / nt}
					g.rates(tr)
					with := simUnit(g, k, z, g.ratesT, tr.ambient, ranging == estimate.RangingMean)
					clean := tr
					clean.leak = 0
					none := k
					none.LeakageBins = make([][]float64, 6)
					g.rates(clean)
					without := simUnit(g, none, z, g.ratesT, tr.ambient, ranging == estimate.RangingMean)
					// The stored leakage's own noise weighs more the weaker the return.
					lu := l.Zones[z].LeakageU / tr.signal * d
					if diff := math.Abs(got[i][z] - (with - without)); diff > 0.2+2*lu {
						t.Errorf("%s, change %g, %g mm, zone %d: projected %.3f mm, the unit errs by %.3f", ranging, change, d, z, got[i][z], with-without)
					}
				}
			}
		}
	}
}

// common practice, no source: uncompensated, the bias of a signal-weighted
// mean grows with distance; a unit that resolves leakage and target loses it
// once they are 4 sigma apart.
func TestUncompensatedBiasWithDistance(t *testing.T) {
	c := scene{leak: 0.02, photons: 1e6, shotsT: 4_000_000, distance: 200, perBin: 5}.withDefaults()
	distances := []float64{100, 200, 400, 800, 1600}
	sigma := 350 * halfC // mm
	for _, ranging := range []string{estimate.RangingMean, estimate.RangingPulse} {
		c.setup.Ranging = ranging
		e := estimator(t, c.setup)
		u := c.make(rand.New(rand.NewPCG(4, 4)))
		l, o := measure(t, e, u)
		k := e.Constants(l, o)
		for z := range k.LeakageBins {
			clear(k.LeakageBins[z])
		}
		last := 0.0
		for i, row := range e.Project(k, l, o, 0, distances) {
			bias := row[0]
			if ranging == estimate.RangingMean {
				if bias > -1e-3 || bias > last {
					t.Errorf("mean: bias %g mm at %g mm after %g", bias, distances[i], last)
				}
				last = bias
				continue
			}
			// Leakage no stronger than the return there.
			share := 0.02 * distances[i] * distances[i] / 200 / 200
			if distances[i] > 5*sigma && share < 0.5 && math.Abs(bias) > 0.05*share*sigma {
				t.Errorf("pulse: bias %g mm at %g mm, leakage %g of the return", bias, distances[i], share)
			}
		}
	}
}

// The offset of a unit that ranges itself: stored for its own range, with and
// without its report; and verified with the constants on, near and far.
func TestVerify(t *testing.T) {
	for _, ranging := range []string{estimate.RangingMean, estimate.RangingPulse} {
		for _, corrects := range []string{estimate.CorrectsStation, estimate.CorrectsUnit} {
			t.Run(corrects+" "+ranging, func(t *testing.T) {
				c := scene{leak: 0.3, photons: 1e6, shotsT: 4_000_000, distance: 300, perBin: 2, setup: hopper(2, 3)}.withDefaults()
				c.setup.Ranging, c.setup.Corrects, c.setup.Offsets, c.setup.Tilt = ranging, corrects, estimate.OffsetsZones, estimate.TiltUnit
				c.setup.Pulse = skewed(150, 300, 20)
				e := estimator(t, c.setup)
				u := c.make(rand.New(rand.NewPCG(6, 6)))
				l, err := e.Empty(u.empty)
				if err != nil {
					t.Fatal(err)
				}
				// What the unit says of itself, compensation off: leakage in it.
				raw := estimate.Constants{OffsetMM: make([]float64, 6), LeakageBins: make([][]float64, 6)}
				g := newSource(c.setup, rand.New(rand.NewPCG(6, 7)))
				report := &estimate.Summary{Shots: c.shotsT, TempCel: math.NaN()}
				nt := float64(c.shotsT)
				tr := func(d float64, z int) truth {
					k := 300 / d
					return truth{leak: 0.3 * 1e6 / nt, leakTau: (3 + u.offset[z]) / halfC, ambient: 2 / nt, ambientTarget: 2 / nt, signal: 1e6 / nt * k * k, tau: (d*sec(c.setup, z) + u.offset[z]) / halfC}
				}
				for z := range 6 {
					g.rates(tr(300, z))
					r := simUnit(g, raw, z, g.ratesT, 2/nt, ranging == estimate.RangingMean)
					report.Zones = append(report.Zones, estimate.SummaryZone{Signal: 1.3e6 / nt, SignalU: 1e-3, RangeMM: r, RangeUMM: 0.1, Ambient: 1e-6, AmbientU: 1e-7})
				}
				for _, unit := range []*estimate.Summary{report, nil} {
					o, err := e.Target(l, u.target, u.ref, unit)
					if err != nil {
						t.Fatal(err)
					}
					k := e.Constants(l, o)
					if d, ok := o.Quantities[quantity.EstimatorDifference]; corrects == estimate.CorrectsUnit || unit != nil {
						want := 0.0
						if ranging == estimate.RangingMean {
							_, _, mean := e.PulseMoments()
							want = halfC * mean
						}
						if !ok || math.Abs(d.V-want) > 0.5 {
							t.Errorf("estimator.difference %v, want about %g", d.Value, want)
						}
					}
					for _, d := range []float64{300, 600} {
						h := estimate.Histogram{Shots: c.shotsT, Counts: make([]uint32, 600), TempCel: math.NaN()}
						own := &estimate.Summary{Shots: c.shotsT, TempCel: math.NaN()}
						for z := range 6 {
							g.rates(tr(d, z))
							g.draw(g.ratesT, c.shotsT, h.Counts[z*100:(z+1)*100])
							r := simUnit(g, k, z, g.ratesT, 2/nt, ranging == estimate.RangingMean)
							own.Zones = append(own.Zones, estimate.SummaryZone{Signal: 1e6 / nt, SignalU: 1e-3, RangeMM: r, RangeUMM: 0.3, Ambient: 1e-6, AmbientU: 1e-7})
						}
						ref := estimate.Reference{DistanceMM: d, DistanceUMM: 0.1}
						name := quantity.VerifyError
						if d != 300 {
							name = quantity.VerifyErrorFar
						}
						// What the stored leakage's own noise does to a weak return is an
						// error of the unit, which the capture measures.
						stored := 5 * l.Quantities[quantity.LeakageMax].U / (1e6 / nt) * (d / 300) * (d / 300) * d
						check := func(what string, v *estimate.Verification, err error) {
							t.Helper()
							if err != nil {
								t.Fatal(err)
							}
							q, ok := v.Quantities[name]
							if !ok || len(q.Zones) != 6 || v.Far != (d != 300) {
								t.Fatalf("%s at %g: %v", what, d, v.Quantities)
							}
							if math.Abs(q.V) > 5*q.U+0.3+stored {
								t.Errorf("%s at %g mm: error %g, u %g", what, d, q.V, q.U)
							}
							if v.Far && q.U < 0.1 {
								t.Errorf("%s: u %g below the distance's", what, q.U)
							}
						}
						v, err := e.Verify(k, &h, nil, ref, o)
						check("histogram", v, err)
						if corrects == estimate.CorrectsUnit {
							v, err = e.Verify(k, nil, own, ref, o)
							check("own ranges", v, err)
						}
						// A write that went wrong is seen: 5 mm in one zone.
						bad := k
						bad.OffsetMM = append([]float64{}, k.OffsetMM...)
						bad.OffsetMM[4] += 5
						if v, err = e.Verify(bad, &h, nil, ref, o); err != nil {
							t.Fatal(err)
						}
						if q := v.Quantities[name]; math.Abs(q.Zones[4].V+5) > 1+stored || !(math.Abs(q.V) > 4-stored) {
							t.Errorf("5 mm of wrong offset shows as %g", q.V)
						}
					}
				}
			})
		}
	}
}

// Summaries only: a unit that reports signal, ambient and range.
func TestSummaryUnit(t *testing.T) {
	s := hopper(2, 3)
	s.Budget.LeakageChangeU = 0.02
	s.Ranging = estimate.RangingMean
	s.WorkingMM, s.LeakageChangeStated = []float64{300, 900}, 0.5
	e := estimator(t, s)
	rng := rand.New(rand.NewPCG(3, 1))
	empty := estimate.Summary{Shots: 1e6, TempCel: 25}
	target := estimate.Summary{Shots: 1e6, TempCel: 25}
	const off, leak, signal, dx = 4.0, 0.002, 0.05, 7.0
	for z := range 6 {
		d := 300*sec(s, z) + off
		mix := (signal*d + leak*dx) / (signal + leak)
		empty.Zones = append(empty.Zones, estimate.SummaryZone{Signal: leak + 2e-5*rng.NormFloat64(), SignalU: 2e-5, RangeMM: dx + 0.5*rng.NormFloat64(), RangeUMM: 0.5, Ambient: 1e-4, AmbientU: 1e-6})
		target.Zones = append(target.Zones, estimate.SummaryZone{Signal: signal + leak + 2e-4*rng.NormFloat64(), SignalU: 2e-4, RangeMM: mix + 0.2*rng.NormFloat64(), RangeUMM: 0.2, Ambient: 1e-4, AmbientU: 1e-6})
	}
	l, err := e.EmptySummary(empty)
	if err != nil {
		t.Fatal(err)
	}
	o, err := e.TargetSummary(l, target, estimate.Reference{DistanceMM: 300, DistanceUMM: 0.1})
	if err != nil {
		t.Fatal(err)
	}
	if len(l.Faults)+len(o.Faults) > 0 {
		t.Errorf("faults %v %v", l.Faults, o.Faults)
	}
	for z, q := range o.Zones {
		if math.Abs(q.OffsetMM-off) > 5*q.OffsetUMM {
			t.Errorf("zone %d: offset %g ± %g, want %g", z, q.OffsetMM, q.OffsetUMM, off)
		}
		if u := 0.02 * (300*sec(s, z) - dx) * leak / signal; q.RangeUMM < u {
			t.Errorf("zone %d: u %g does not hold the change of leakage %g", z, q.RangeUMM, u)
		}
	}
	for n, want := range map[quantity.Name]float64{
		quantity.LeakageTotal: 6 * leak, quantity.LeakageDistance: dx, quantity.OffsetMean: off, quantity.Temperature: 25,
	} {
		q := o.Quantities[n]
		if m, ok := l.Quantities[n]; ok {
			q = m
		}
		if math.Abs(q.V-want) > 5*q.U+1e-12 {
			t.Errorf("%s is %v, want %g", n, q.Value, want)
		}
	}
	k := e.Constants(l, o)
	if k.LeakageBins != nil || len(k.LeakageRate) != 6 || math.Abs(k.LeakageRate[2]-leak) > 2e-4 {
		t.Errorf("constants %+v", k)
	}
	// Half as much leakage again, at 900 mm: (d − d_x)·L/(S + L) short.
	p := e.Project(k, l, o, 0.5, []float64{900})[0][0]
	r := 900*sec(s, 0) + o.Zones[0].OffsetMM
	sig := o.Zones[0].Signal / 9
	extra := 0.5 * l.Zones[0].Leakage
	if want := -(r - l.Zones[0].DistanceMM) * extra / (sig + extra); math.Abs(p-want) > 1e-6*math.Abs(want) {
		t.Errorf("projected %g mm, want %g", p, want)
	}
}
