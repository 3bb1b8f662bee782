package estimate_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/estimate"
)

func estimator(t *testing.T, s estimate.Setup) *estimate.Estimator {
	t.Helper()
	e, err := estimate.New(s)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func measure(t *testing.T, e *estimate.Estimator, u unit) (*estimate.Leakage, *estimate.Offsets) {
	t.Helper()
	l, err := e.Empty(u.empty)
	if err != nil {
		t.Fatal(err)
	}
	o, err := e.Target(l, u.target, u.ref, nil)
	if err != nil {
		t.Fatal(err)
	}
	return l, o
}

func codes(fs []estimate.Fault) (out []string) {
	for _, f := range fs {
		out = append(out, f.Capture+" "+string(f.Code))
	}
	return out
}

// Zones that cannot measure are flagged and take no part; numbers stay finite
// or NaN; few of them are the unit's matter, many the capture's.
func TestFlagsAndFaults(t *testing.T) {
	base := scene{leak: 1, frames: 10}.withDefaults()
	dead := func(h *estimate.Histogram, zones ...int) {
		for _, z := range zones {
			clear(h.Counts[z*100 : (z+1)*100])
			for _, f := range h.FrameTotals {
				f[z] = 0
			}
		}
	}
	add := func(h *estimate.Histogram, z int, per uint32) {
		for b := range 100 {
			h.Counts[z*100+b] += per
		}
		for f := range h.FrameTotals {
			h.FrameTotals[f][z] += per * 100 / uint32(len(h.FrameTotals))
		}
	}
	for _, c := range []struct {
		name   string
		setup  func(*estimate.Setup)
		harm   func(u *unit)
		faults []string
		flags  map[int]string
	}{
		{"healthy", nil, func(u *unit) {}, nil, nil},
		{"two dead zones", nil, func(u *unit) { dead(&u.empty, 3, 7); dead(&u.target, 3, 7) }, nil, map[int]string{3: "dead", 7: "dead"}},
		{"three dead zones", nil, func(u *unit) { dead(&u.empty, 3, 7, 9) }, []string{"empty dead_zones"}, map[int]string{9: "dead"}},
		{"none allowed", func(s *estimate.Setup) { s.Checks.MaxDeadHot = -1 }, func(u *unit) { dead(&u.target, 3) }, []string{"target dead_zones"}, map[int]string{3: "dead"}},
		{"a hot zone", nil, func(u *unit) { add(&u.empty, 5, 20000); add(&u.target, 5, 5000) }, nil, map[int]string{5: "hot"}},
		{"three hot zones", nil, func(u *unit) {
			for z := 5; z < 8; z++ {
				add(&u.empty, z, 20000)
			}
		}, []string{"empty hot_zones"}, map[int]string{5: "hot"}},
		{"saturated", func(s *estimate.Setup) { s.Checks.CountMax = 1 << 22 }, func(u *unit) { u.target.Counts[2*100+20] = 1 << 22; u.target.FrameTotals = nil }, []string{"target saturated"}, map[int]string{2: "saturated"}},
		{"too bright", func(s *estimate.Setup) { s.Checks.AmbientMax = 1e-5 }, func(u *unit) {}, []string{"empty ambient", "target ambient"}, nil},
		{"target hidden from a zone", nil, func(u *unit) {
			copy(u.target.Counts[4*100:5*100], quarter(u.empty.Counts[4*100:5*100]))
			u.target.FrameTotals = nil
		}, nil, map[int]string{4: "no_signal"}},
		{"averaged frames", nil, func(u *unit) {
			for z := range 54 {
				sum := uint32(0)
				for _, f := range u.empty.FrameTotals {
					sum += f[z]
				}
				for i := range u.empty.FrameTotals {
					u.empty.FrameTotals[i][z] = sum / 10
				}
				u.empty.FrameTotals[0][z] += sum % 10
			}
		}, []string{"empty frames"}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			sc := base
			if c.setup != nil {
				sc.setup = with(sc.setup, c.setup)
			}
			u := sc.make(rand.New(rand.NewPCG(5, 5)))
			c.harm(&u)
			l, o := measure(t, estimator(t, sc.setup), u)
			if got := append(codes(l.Faults), codes(o.Faults)...); !slices.Equal(got, c.faults) {
				t.Errorf("faults %v, want %v", got, c.faults)
			}
			for z, q := range o.Zones {
				want := []string{}
				if f, ok := c.flags[z]; ok {
					want = []string{f}
				}
				if got := q.Flags.Names(); len(c.flags) > 0 && c.flags[z] != "" && !slices.Equal(got, want) {
					t.Errorf("zone %d flags %v, want %v", z, got, want)
				}
				if q.Flags == 0 && (math.IsNaN(q.RangeMM) || !(q.RangeUMM > 0)) {
					t.Errorf("zone %d: range %g, u %g without a flag", z, q.RangeMM, q.RangeUMM)
				}
			}
			for n, m := range o.Quantities {
				if math.IsInf(m.V, 0) || math.IsInf(m.U, 0) {
					t.Errorf("%s is %v", n, m.Value)
				}
			}
		})
	}
}

func quarter(c []uint32) []uint32 {
	out := slices.Clone(c)
	for i := range out {
		out[i] /= 4
	}
	return out
}

// A touched window between the captures is the captures' fault, not the unit's.
func TestLeakageChanged(t *testing.T) {
	c := scene{leak: 1, d: departures{}, setup: with(hopper(6, 9), func(s *estimate.Setup) { s.Budget.LeakageChangeU = 0.02 })}.withDefaults()
	for _, gain := range []float64{1.03, 1.15} {
		u := c.make(rand.New(rand.NewPCG(9, 9)))
		g := newSource(c.setup, rand.New(rand.NewPCG(9, 10)))
		for z := range 54 {
			g.rates(truth{leak: 0.1, leakTau: 20, ambient: 5e-5, ambientTarget: 5e-5, signal: 0.1, tau: 500 * sec(c.setup, z) / halfC, gain: gain})
			g.draw(g.ratesE, u.empty.Shots, u.empty.Counts[z*100:(z+1)*100])
			g.draw(g.ratesT, u.target.Shots, u.target.Counts[z*100:(z+1)*100])
		}
		_, o := measure(t, estimator(t, c.setup), u)
		q := o.Quantities[quantity.LeakageChange]
		if math.Abs(q.V-gain) > 5*q.U+0.001 {
			t.Errorf("change %v, want %g", q.Value, gain)
		}
		if bad := slices.Contains(codes(o.Faults), "target leakage_changed"); bad != (gain > 1.08) {
			t.Errorf("gain %g: faults %v", gain, codes(o.Faults))
		}
	}
}

// The same unit measured twice: captures are raw, so a unit that was adjusted
// in between gives the same constants within the counting terms.
func TestRetestAgrees(t *testing.T) {
	var z moments
	worst := 0.0
	for i := range 20 {
		c := scene{leak: 1, photons: 2e4}.withDefaults()
		e := estimator(t, c.setup)
		// The same unit (first source), fresh photons (second).
		var mean, u [2]float64
		for k := range 2 {
			rng := rand.New(rand.NewPCG(uint64(i), 1))
			un := c.make(rng)
			g := newSource(c.setup, rand.New(rand.NewPCG(uint64(i), uint64(10+k))))
			for zn := range un.offset {
				g.rates(truth{leak: 0.02, leakTau: (3 + un.offset[zn]) / halfC, ambient: 5e-5, ambientTarget: 5e-5, signal: 0.02, tau: (500*sec(c.setup, zn) + un.offset[zn]) / halfC})
				g.draw(g.ratesE, un.empty.Shots, un.empty.Counts[zn*100:(zn+1)*100])
				g.draw(g.ratesT, un.target.Shots, un.target.Counts[zn*100:(zn+1)*100])
			}
			_, o := measure(t, e, un)
			mean[k] = o.Quantities[quantity.OffsetMean].V
			u[k] = math.Hypot(o.Budget[0].MM, o.Budget[1].MM)
		}
		d := (mean[1] - mean[0]) / math.Hypot(u[0], u[1])
		z.add(d)
		worst = max(worst, math.Abs(d))
	}
	t.Logf("20 units: rms %.3f, worst %.2f", z.rms(), worst)
	if z.rms() < 0.6 || z.rms() > 1.5 || worst > 5 { // 20 values: 1 ± 0.16 a sd
		t.Errorf("rms %.3f, worst %.2f of the counting terms", z.rms(), worst)
	}
}

// Tilt of the seat, found with its uncertainty, and taken off what is stored.
func TestSeatTilt(t *testing.T) {
	c := scene{leak: 0.1, photons: 2e4}.withDefaults()
	c.setup.Offsets = estimate.OffsetsZones
	e := estimator(t, c.setup)
	const a, b = 0.01, -0.02
	var zx, zy, ztilt moments
	for i := range size(10, 200) {
		u := c.make(rand.New(rand.NewPCG(uint64(i), 3)))
		g := newSource(c.setup, rand.New(rand.NewPCG(uint64(i), 4)))
		for z := range 54 {
			r := 500 * sec(c.setup, z) / (1 - a*c.setup.Grid.Ux[z] - b*c.setup.Grid.Uy[z])
			g.rates(truth{leak: 0.002, ambient: 5e-5, ambientTarget: 5e-5, signal: 0.02, tau: (r + 1) / halfC})
			g.draw(g.ratesT, u.target.Shots, u.target.Counts[z*100:(z+1)*100])
			g.draw(g.ratesE, u.empty.Shots, u.empty.Counts[z*100:(z+1)*100])
		}
		_, o := measure(t, e, u)
		zx.add((o.Tilt.SlopeX - a) / o.Tilt.SlopeXU)
		zy.add((o.Tilt.SlopeY - b) / o.Tilt.SlopeYU)
		ztilt.add((o.Tilt.Deg - math.Atan(math.Hypot(a, b))*180/math.Pi) / o.Tilt.DegU)
		for _, v := range o.StoredMM {
			if math.Abs(v-1) > 3 { // 0.5 mm of counts a zone; the tilt adds up to 9
				t.Fatalf("stored %v", o.StoredMM)
			}
		}
	}
	for what, m := range map[string]moments{"x": zx, "y": zy, "tilt": ztilt} {
		if m.rms() < 0.4 || m.rms() > 1.8 {
			t.Errorf("slope %s: standardised rms %.3f over %g units", what, m.rms(), m.n)
		}
	}
}

// A common shift is an offset or a target in the wrong place: the end stop
// decides, else the leakage's own delay, else nothing.
func TestToldApart(t *testing.T) {
	for _, c := range []struct {
		name    string
		leak    float64
		shift   float64 // mm, of the target
		endStop bool
		how     string
		doubt   bool
	}{
		{"end stop", 1, 20, true, estimate.ByEndStop, false},
		{"leakage, target in place", 1, 0, false, estimate.ByLeakage, false},
		{"leakage, target 20 mm off", 1, 20, false, estimate.ByLeakage, true},
		{"no leakage, few photons", 0, 20, false, estimate.NotApart, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			sc := scene{leak: c.leak, photons: 3000, uD: 0.2}.withDefaults()
			sc.distance += c.shift
			u := sc.make(rand.New(rand.NewPCG(2, 2)))
			u.ref.DistanceMM -= c.shift
			u.ref.EndStop = c.endStop
			_, o := measure(t, estimator(t, sc.setup), u)
			if o.Apart.How != c.how || o.Apart.Doubt != c.doubt {
				t.Errorf("%+v, want %s, doubt %v", o.Apart, c.how, c.doubt)
			}
			if c.how == estimate.ByLeakage && math.Abs(o.Apart.MM-c.shift) > 4*o.Apart.U {
				t.Errorf("target off by %g ± %g mm, want %g", o.Apart.MM, o.Apart.U, c.shift)
			}
		})
	}
}

// An Estimator serves several goroutines at once and gives each the same.
func TestConcurrentUse(t *testing.T) {
	c := scene{leak: 1}.withDefaults()
	e := estimator(t, c.setup)
	u := c.make(rand.New(rand.NewPCG(1, 1)))
	_, want := measure(t, e, u)
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			for range 3 {
				l, err := e.Empty(u.empty)
				if err != nil {
					t.Error(err)
					return
				}
				o, err := e.Target(l, u.target, u.ref, nil)
				if err != nil {
					t.Error(err)
					return
				}
				for z := range o.Zones {
					if o.Zones[z].RangeMM != want.Zones[z].RangeMM {
						t.Errorf("zone %d: %g and %g", z, o.Zones[z].RangeMM, want.Zones[z].RangeMM)
						return
					}
				}
			}
		})
	}
	wg.Wait()
}

// A capture of another shape is an error, not a result.
func TestCaptureErrors(t *testing.T) {
	c := scene{leak: 1}.withDefaults()
	e := estimator(t, c.setup)
	u := c.make(rand.New(rand.NewPCG(1, 1)))
	l, _ := measure(t, e, u)
	short := u.empty
	short.Counts = short.Counts[1:]
	noShots := u.empty
	noShots.Shots = 0
	frames := u.empty
	frames.FrameTotals = [][]uint32{make([]uint32, 54), make([]uint32, 54)}
	for name, err := range map[string]error{
		"short":    second(e.Empty(short)),
		"no shots": second(e.Empty(noShots)),
		"frames":   second(e.Empty(frames)),
		"distance": second(e.Target(l, u.target, estimate.Reference{}, nil)),
		"summary":  second(e.EmptySummary(estimate.Summary{Shots: 1})),
		"mixed":    second(e.TargetSummary(l, estimate.Summary{Shots: 1, Zones: make([]estimate.SummaryZone, 54)}, u.ref)),
	} {
		if !errors.Is(err, estimate.ErrCapture) {
			t.Errorf("%s: %v", name, err)
		}
	}
	bad := hopper(2, 2)
	bad.Pulse.Density = make([]float64, 9)
	if _, err := estimate.New(bad); !errors.Is(err, estimate.ErrSetup) {
		t.Errorf("flat pulse: %v", err)
	}
}

func second[T any](_ T, err error) error { return err }

// A measured single-photon timing response as the product's pulse: asymmetric,
// its mean 145 ps behind its peak, 274 ps wide.
func TestMeasuredPulse(t *testing.T) {
	rows := table(t, "optics/real_irf_lifefit.csv")
	const step, peak = 27.43484, 1016
	p := estimate.Pulse{StartPS: -40 * step, StepPS: step}
	for i := peak - 40; i <= peak+120; i++ {
		p.Density = append(p.Density, max(0, num(t, rows[i-1]["counts"])-1))
	}
	s := with(hopper(6, 9), func(s *estimate.Setup) { s.Pulse = p; s.BinPS = 125; s.FirstBinPS = -1500; s.Bins = 120 })
	e := estimator(t, s)
	width, mode, mean := e.PulseMoments()
	if math.Abs(width-274) > step || math.Abs(mode) > step || math.Abs(mean-mode-145) > 12 {
		t.Errorf("full width %.1f ps, mode %.1f, mean behind it by %.1f; published 274 (ten whole channels), 0, 145", width, mode, mean-mode)
	}
	var std moments
	for i := range size(4, 40) {
		c := scene{setup: s, leak: 1, photons: 2000}.withDefaults()
		u := c.make(rand.New(rand.NewPCG(uint64(i), 8)))
		l, o := measure(t, e, u)
		if len(l.Faults)+len(o.Faults) > 0 {
			t.Errorf("accused: %v %v", codes(l.Faults), codes(o.Faults))
		}
		for z, q := range o.Zones {
			std.add((q.RangeMM - 500*sec(s, z) - u.offset[z]) / q.RangeUMM)
		}
	}
	if slack := 4 / math.Sqrt(2*std.n); math.Abs(std.rms()-1) > 0.03+slack || math.Abs(std.mean()) > 4/math.Sqrt(std.n) {
		t.Errorf("standardised error %.3f rms, %.3f mean over %g zones", std.rms(), std.mean(), std.n)
	}
}

// The unit's own least-squares range is as uncertain as it scatters.
func TestUnitRangeScatter(t *testing.T) {
	s := hopper(1, 1)
	s.Ranging = estimate.RangingPulse
	e := estimator(t, s)
	p, _, _ := e.PulseWidthDerivative(4000, 1)
	const draws, seed = 400, 11
	rng := rand.New(rand.NewPCG(seed, seed))
	net, variance := make([]float64, s.Bins), make([]float64, s.Bins)
	var err, said moments
	for range draws {
		for b := range net {
			mean := 2000*p[b] + 20
			net[b], variance[b] = poisson(rng, mean)-20, mean
		}
		ps, u := e.UnitRange(net, variance)
		err.add(ps - 4000)
		said.add(u)
	}
	if r := err.rms() / said.mean(); !(math.Abs(r-1) < 4/math.Sqrt(2*draws)) {
		t.Errorf("seed %d: scatters by %.2f ps, says %.2f", seed, err.rms(), said.mean())
	}
}

// Fewer zones than slopes and distance ask for say nothing of the tilt.
func TestTiltOfFewZones(t *testing.T) {
	_, _, tilt, ok := estimate.FitPlane([]float64{0, 0.1}, []float64{0, 0}, []float64{1, 1}, []float64{300, 310}, []float64{1, 1}, [4]float64{3: 300}, [4]bool{})
	if ok || tilt.Known || !math.IsNaN(tilt.Deg) || !math.IsNaN(tilt.DegU) {
		t.Errorf("two zones: %+v, fitted %v", tilt, ok)
	}
}
