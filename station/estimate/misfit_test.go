package estimate_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/estimate"
)

// echo is one return of a zone.
type echo struct{ mm, share float64 } // behind the target, of its signal

// stand is a target capture that is not what the model says, and the empty
// capture before it.
type stand struct {
	name     string
	setup    estimate.Setup
	photons  float64 // a zone, target capture
	perBin   float64
	leak     float64 // relative to photons
	distance float64
	echoes   []echo              // beside the target's own return
	odd      func(z int) float64 // mm, where a zone sees something else; 0 = the target, below 0: nothing
	ripple   float64             // of the ambient and the signal, by bin
	clip     uint32              // the counters' ceiling, in both captures
	first    bool                // the unit records first photons, and says that it does not
	rate     float64             // photons per shot of such a unit
	tail     float64             // share of the unit's pulse that decays over 400 ps
	gain     float64             // leakage in the target capture over that in the empty one; 0 = 1
	d        departures
}

func (c stand) withDefaults() stand {
	if c.setup.Bins == 0 {
		c.setup = hopper(6, 9)
	}
	def := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	def(&c.photons, 1e5)
	def(&c.perBin, 50)
	def(&c.leak, 0.3)
	def(&c.distance, 300)
	return c
}

// make draws both captures. The offset is 3 mm in the mean, 1 mm between zones.
func (c stand) make(rng *rand.Rand) (empty, target estimate.Histogram) {
	s := c.setup
	shotsT := 1_000_000.0
	if c.first {
		shotsT = c.photons / c.rate
	}
	shotsE := 4 * shotsT
	pulse := s
	if c.tail > 0 {
		pulse.Pulse = tailed(s.Pulse, c.tail, 400)
	}
	if c.first {
		pulse.PileUp = estimate.FirstPhoton
	}
	g := newSource(pulse, rng)
	n := s.Grid.Zones()
	empty = estimate.Histogram{Shots: int64(shotsE), Counts: make([]uint32, n*s.Bins), TempCel: math.NaN()}
	target = estimate.Histogram{Shots: int64(shotsT), Counts: make([]uint32, n*s.Bins), TempCel: math.NaN()}
	width := 1 + c.d.width*rng.NormFloat64()
	late := 200 + 1800*rng.Float64()
	var bins []float64
	if c.d.bins > 0 {
		bins = make([]float64, s.Bins)
		for b := range bins {
			bins[b] = 1 + c.d.bins*rng.NormFloat64()
		}
	}
	signal, ambient := c.photons/shotsT, c.perBin/shotsT
	rates := make([]float64, s.Bins)
	for z := range n {
		off := 3 + rng.NormFloat64()
		tau := (c.distance*sec(s, z) + off) / halfC
		own := signal
		if c.odd != nil {
			switch v := c.odd(z); {
			case v < 0:
				own = 0
			case v > 0:
				tau = (v + off) / halfC
			}
		}
		g.rates(truth{leak: c.leak * signal, leakTau: (3 + off) / halfC, ambient: ambient, ambientTarget: ambient, signal: own, tau: tau,
			gain: c.gain, width: width, binScale: bins, multipath: c.d.multipath, delay: late})
		g.draw(g.ratesE, empty.Shots, empty.Counts[z*s.Bins:(z+1)*s.Bins])
		copy(rates, g.ratesT)
		for b := range rates {
			for _, e := range c.echoes {
				rates[b] += own * e.share * g.share(b, tau+e.mm/halfC, width)
			}
			if c.ripple > 0 {
				rates[b] *= 1 + c.ripple*math.Sin(2*math.Pi*float64(b)/7)
			}
		}
		row := target.Counts[z*s.Bins : (z+1)*s.Bins]
		g.draw(rates, target.Shots, row)
		if c.clip > 0 {
			for b := range row {
				row[b] = min(row[b], c.clip)
				x := &empty.Counts[z*s.Bins+b]
				*x = min(*x, c.clip)
			}
		}
	}
	return empty, target
}

// tailed is a pulse of which a share decays over so long.
func tailed(p estimate.Pulse, share, decay float64) estimate.Pulse {
	out := estimate.Pulse{StartPS: p.StartPS, StepPS: p.StepPS, Density: make([]float64, len(p.Density)+int(10*decay/p.StepPS))}
	slow := 0.0
	for i := range out.Density {
		now := 0.0
		if i < len(p.Density) {
			now = p.Density[i]
		}
		slow += (now - slow) * p.StepPS / decay
		out.Density[i] = (1-share)*now + share*slow
	}
	return out
}

// tally is what n captures gave.
type tally struct {
	n, accused int
	codes      map[string]int
	falseRange int // captures with a range
	offset, u  moments
	misfit     moments
	further    int // zones with two returns
	zones      int
}

func (c stand) run(t *testing.T, n int, seed uint64, see func(o *estimate.Offsets)) tally {
	t.Helper()
	c = c.withDefaults()
	e := estimator(t, c.setup)
	sum := tally{n: n, codes: map[string]int{}}
	var mu sync.Mutex
	each(n, seed, func(rng *rand.Rand, _ int) {
		eh, th := c.make(rng)
		l, err := e.Empty(eh)
		if err != nil {
			t.Error(err)
			return
		}
		o, err := e.Target(l, th, estimate.Reference{DistanceMM: c.distance, DistanceUMM: 0.1}, nil)
		if err != nil {
			t.Error(err)
			return
		}
		mu.Lock()
		defer mu.Unlock()
		faults := append(append([]estimate.Fault{}, l.Faults...), o.Faults...)
		for _, f := range faults {
			sum.codes[f.Capture+" "+string(f.Code)]++
		}
		if len(faults) > 0 {
			sum.accused++
		}
		ranged := false
		for _, z := range o.Zones {
			ranged = ranged || !math.IsNaN(z.RangeMM)
			sum.zones++
			if len(z.Returns) == 2 {
				sum.further++
			}
		}
		if ranged {
			sum.falseRange++
		}
		if q, ok := o.Quantities[quantity.OffsetMean]; ok {
			sum.offset.add(q.V - 3)
			sum.u.add(q.U)
		}
		if q, ok := o.Quantities[quantity.TargetMisfit]; ok {
			sum.misfit.add(q.V)
		}
		if see != nil {
			see(o)
		}
	})
	return sum
}

func half(z int) bool { return z%9 < 5 && z%9 != 4 || z%9 == 4 && z < 27 }

func badStands() []stand {
	hand := func(mm float64) func(int) float64 {
		return func(z int) float64 {
			if half(z) {
				return mm
			}
			return 0
		}
	}
	few := func(n int) func(int) float64 {
		return func(z int) float64 {
			if z < n {
				return 0
			}
			return -1
		}
	}
	return []stand{
		{name: "half as strong 100 mm behind", echoes: []echo{{100, 0.5}}},
		{name: "a tenth as strong 150 mm behind", echoes: []echo{{150, 0.1}}},
		{name: "hand at 150 mm before half, target at 200", distance: 200, odd: hand(150)},
		{name: "hand at 150 mm before half, target at 300", odd: hand(150)},
		{name: "ripple of 5 % in the target only", ripple: 0.05},
		{name: "ripple of 15 % in the target only", ripple: 0.15},
		{name: "counters clipped at 65535", photons: 4e5, clip: 65535},
		{name: "counters clipped at 65535, by far", photons: 1e6, distance: 200, clip: 65535},
		{name: "first photons, told as none, 0.3 a shot", first: true, rate: 0.3},
		{name: "first photons, told as none, 1 a shot", first: true, rate: 1},
		{name: "a tenth of the pulse as a tail", tail: 0.1},
		{name: "a tenth of the pulse as a tail, no leakage", tail: 0.1, leak: 1e-3},
		{name: "target in no zone", odd: few(0)},
		{name: "target in 1 zone", odd: few(1)},
		{name: "target in 3 zones", odd: few(3)},
	}
}

func goodStands() []stand {
	ordinary := departures{width: 0.03, bins: 0.02, multipath: 0.005}
	first := with(hopper(6, 9), func(s *estimate.Setup) { s.PileUp = estimate.FirstPhoton })
	return []stand{
		{name: "as the model says"},
		{name: "as the model says, 300 photons", photons: 300, perBin: 3},
		{name: "as the model says, dark", photons: 1000, perBin: 0.05},
		{name: "as the model says, 1e6 photons", photons: 1e6},
		{name: "ordinary departures", d: ordinary},
		{name: "ordinary departures, 1e3 photons", photons: 1e3, perBin: 5, d: ordinary},
		{name: "ordinary departures, 1e4 photons", photons: 1e4, d: ordinary},
		{name: "ordinary departures, 1e6 photons", photons: 1e6, d: ordinary},
		{name: "ordinary departures, leakage under", distance: 130, leak: 1, d: ordinary},
		{name: "ordinary departures, bright", perBin: 3000, d: ordinary},
		{name: "ordinary departures, skewed pulse", d: ordinary, setup: with(hopper(6, 9), func(s *estimate.Setup) { s.Pulse = skewed(150, 300, 20) })},
		{name: "ordinary departures, first photon", d: ordinary, setup: first},
		{name: "ordinary departures, one zone", d: ordinary, setup: hopper(1, 1)},
		{name: "ordinary departures, u(g) 2 %", d: ordinary, setup: with(hopper(6, 9), func(s *estimate.Setup) { s.Budget.LeakageChangeU = 0.02 })},
		{name: "leakage 5 % more, u(g) 2 %", gain: 1.05, leak: 1, distance: 130, photons: 1e4, perBin: 700, setup: with(hopper(6, 9), func(s *estimate.Setup) { s.Budget.LeakageChangeU = 0.02 })},
	}
}

// TestFaultsMisfit: each capture that is not what the model says is accused.
func TestFaultsMisfit(t *testing.T) {
	n := faultSize(4, 100)
	stands := badStands()
	for i, c := range stands {
		for _, p := range []float64{1e5, 1e4} {
			if c.photons > 0 && p < 1e5 {
				continue // the case says how many
			}
			if !wholeFaults() && p < 1e5 && c.tail == 0 && c.rate != 0.3 {
				continue
			}
			if c.photons == 0 {
				c.photons, c.perBin = p, 50*p/1e5+3
			}
			s := c.run(t, n, faultSeed+uint64(i), nil)
			t.Logf("%-44s %6g photons: accused %d of %d, offset %+.2f u %.2f, misfit %.1f, two returns in %.2f of the zones %v",
				c.name, c.photons, s.accused, s.n, s.offset.mean(), s.u.mean(), s.misfit.mean(), float64(s.further)/float64(s.zones), s.codes)
			figure(t, "found_"+strings.NewReplacer(" ", "_", ",", "", "%", "percent").Replace(c.name)+fmt.Sprintf("_%g", c.photons), float64(s.accused)/float64(n), "1", least(0.99))
			c = stands[i]
		}
	}
}

// TestFaultsOrdinary: units that depart from the product as ordinary units do,
// at all levels of light.
func TestFaultsOrdinary(t *testing.T) {
	n := faultSize(4, 225)
	model, departed, captures := 0, 0, 0
	for i, c := range goodStands() {
		s := c.run(t, n, faultSeed+100+uint64(i), nil)
		t.Logf("%-44s accused %d of %d, offset %+.2f u %.2f, misfit %.2f %v", c.name, s.accused, s.n, s.offset.mean(), s.u.mean(), s.misfit.mean(), s.codes)
		if c.d == (departures{}) {
			model += s.accused
		} else {
			departed += s.accused
		}
		captures += n
	}
	figure(t, "ordinary_captures", float64(captures), "{capture}", printed())
	figure(t, "as_the_model_says_accused", float64(model), "{capture}", most(2))
	figure(t, "ordinary_accused", float64(departed), "{capture}", most(2))
}

// TestFaultsNoTarget: where there is no target there is no range.
func TestFaultsNoTarget(t *testing.T) {
	n := faultSize(20, 500)
	ranges, captures, missed := 0, 0, 0
	for i, perBin := range []float64{0.05, 1, 10, 50, 300, 3000} {
		c := stand{perBin: perBin, photons: 1e4, odd: func(int) float64 { return -1 }}
		s := c.run(t, n, faultSeed+200+uint64(i), nil)
		ranges += s.falseRange
		captures += n
		missed += n - s.codes["target target_missing"]
	}
	figure(t, "no_target_captures", float64(captures), "{capture}", printed())
	figure(t, "no_target_with_a_range", float64(ranges), "{capture}", most(0))
	figure(t, "no_target_not_told", float64(missed), "{capture}", most(0))
}

// TestFaultsSmallestReturn prints the smallest further return that is found in
// at least 9 of 10 captures, at each delay.
func TestFaultsSmallestReturn(t *testing.T) {
	n := faultSize(2, 20)
	delays := []float64{30, 60, 100, 150, 200, 300, 600, 1500}
	if !wholeFaults() {
		delays = []float64{150, 600}
	}
	for _, mm := range delays {
		found := math.NaN()
		for _, share := range []float64{0.003, 0.005, 0.007, 0.01, 0.015, 0.02, 0.03, 0.05, 0.1, 0.2, 0.5, 1} {
			c := stand{echoes: []echo{{mm, share}}}
			if s := c.run(t, n, faultSeed+300, nil); float64(s.codes["target misfit"]) >= 0.9*float64(n) {
				found = share
				break
			}
		}
		figure(t, fmt.Sprintf("smallest_return_%g_mm_behind", mm), found, "1", printed())
	}
}

// A return that reaches beyond the last bin is flagged, and takes no part.
func TestCutReturn(t *testing.T) {
	c := stand{setup: hopper(1, 1), distance: halfC * (-1500 + 100*250)}.withDefaults()
	eh, th := c.make(rand.New(rand.NewPCG(1, 1)))
	e := estimator(t, c.setup)
	l, err := e.Empty(eh)
	if err != nil {
		t.Fatal(err)
	}
	o, err := e.Target(l, th, estimate.Reference{DistanceMM: c.distance, DistanceUMM: 0.1}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if got := o.Zones[0].Flags.Names(); len(got) != 1 || got[0] != "cut" {
		t.Errorf("flags %v at %g mm, want cut", got, o.Zones[0].RangeMM)
	}
	if _, ok := o.Quantities[quantity.OffsetMean]; ok {
		t.Error("a cut return has an offset")
	}
}

// Two returns are told as such, each where it is: near the target's own and far
// from it.
func TestTwoReturns(t *testing.T) {
	for _, second := range []echo{{100, 0.5}, {600, 0.2}} {
		c := stand{setup: hopper(2, 2), echoes: []echo{second}}
		c.run(t, 4, 5, func(o *estimate.Offsets) {
			for z, s := range o.Zones {
				if len(s.Returns) != 2 {
					t.Errorf("%v, zone %d: returns %v, want two", second, z, s.Returns)
					continue
				}
				first := 300*sec(c.setup, z) + 3
				for i, want := range []float64{first, first + second.mm} {
					if d := s.Returns[i].RangeMM - want; math.Abs(d) > 8 {
						t.Errorf("%v, zone %d: return %d at %.1f mm, want %.1f", second, z, i, s.Returns[i].RangeMM, want)
					}
				}
				if r := s.Returns[1].Signal / s.Returns[0].Signal; math.Abs(r-second.share) > 0.2*second.share {
					t.Errorf("%v, zone %d: the further return is %.2f of the nearer", second, z, r)
				}
			}
		})
	}
}

// Zones that do not see the target are named, and only they.
func TestMissingZonesAreNamed(t *testing.T) {
	c := stand{setup: hopper(3, 4), odd: func(z int) float64 { return map[bool]float64{true: -1}[z%3 > 0] }}
	c.run(t, 2, 6, func(o *estimate.Offsets) {
		for _, f := range o.Faults {
			if want := []int{1, 2, 4, 5, 7, 8, 10, 11}; f.Code == estimate.FaultTargetMissing && slices.Equal(f.Zones, want) {
				return
			}
		}
		t.Errorf("faults %v", o.Faults)
	})
}
