package simunit_test

import (
	"math"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station/window"
)

func sum(v []uint32) (s float64) {
	for _, n := range v {
		s += float64(n)
	}
	return s
}

// What comes over the wire is what the truth says, within its counting noise.
func TestCountsFollowTheTruth(t *testing.T) {
	m := simunit.Hopper54()
	m.Departures = simunit.Departures{}
	m.DeadZones, m.HotZones = []int{3}, []int{50}
	for name, s := range map[string]simunit.Scene{
		"empty":  {},
		"target": {TargetMM: 300, Reflectance: 0.5},
		"bright": {Ambient: 20},
		"smear":  {Smear: 0.04},
	} {
		synctest.Test(t, func(t *testing.T) {
			u := makeUnit(t, m, 6, simunit.Options{Speed: 100})
			u.SetScene(s)
			c := wire(t, u, protocol.Options{})
			identify(t, c)
			got := capture(t, c, protocol.CaptureRequest{Kind: protocol.Histograms, Shots: 1_000_000, Frames: 2})
			truth := u.Truth()
			for z, total := range got.Totals {
				ambient := truth.Ambient[z] * 96 * max(1, s.Ambient)
				if z == 50 {
					ambient *= 60
				}
				want := 2e6 * (ambient + truth.Leakage[z] + truth.Signal[z])
				if z == 3 {
					want = 0
				}
				if d := math.Abs(float64(total) - want); d > 5*math.Sqrt(want) {
					t.Errorf("%s zone %d: %d counts, want %.0f", name, z, total, want)
				}
			}
			if s.Smear > 0 {
				u.SetScene(simunit.Scene{})
				if clean := u.Truth(); truth.Leakage[0] < 1.8*clean.Leakage[0] {
					t.Errorf("a fingerprint raises leakage only from %g to %g", clean.Leakage[0], truth.Leakage[0])
				}
			}
		})
	}
}

// The same unit counts the same photons, however it is asked in between.
func TestPhotonsDoNotDependOnLooks(t *testing.T) {
	look := protocol.CaptureRequest{Kind: protocol.Totals, Shots: 10_000, Frames: 1}
	var first []uint32
	for _, looks := range []int{0, 3} {
		synctest.Test(t, func(t *testing.T) {
			u := make54(t, 8, simunit.Options{})
			c := wire(t, u, protocol.Options{})
			identify(t, c)
			for range looks {
				capture(t, c, look)
				time.Sleep(123 * time.Millisecond)
			}
			got := capture(t, c, protocol.CaptureRequest{Kind: protocol.Histograms, Shots: 1_000_000, Frames: 3})
			if first == nil {
				first = got.Counts
			} else if !slices.Equal(first, got.Counts) {
				t.Error("looks in between changed the counts")
			}
		})
	}
}

func TestHandDuringACapture(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u := make54(t, 8, simunit.Options{})
		c := wire(t, u, protocol.Options{})
		identify(t, c)
		go func() {
			time.Sleep(110 * time.Millisecond)
			u.SetScene(simunit.Scene{HandMM: 140})
		}()
		got := capture(t, c, protocol.CaptureRequest{Kind: protocol.Totals, Shots: 500_000, Frames: 4})
		// The hand comes in the third frame of 50 ms, over the left half.
		left, right := func(f int) float64 { return float64(got.FrameTotals[f][0]) }, func(f int) float64 { return float64(got.FrameTotals[f][8]) }
		if left(3) < 3*left(0) || left(1) > 1.1*left(0) || right(3) > 1.1*right(0) {
			t.Errorf("left %g %g %g %g, right %g … %g", left(0), left(1), left(2), left(3), right(0), right(3))
		}
	})
}

func TestCountsSaturate(t *testing.T) {
	m := simunit.Hopper54()
	m.CountBits = 16
	synctest.Test(t, func(t *testing.T) {
		u := makeUnit(t, m, 8, simunit.Options{Speed: 1000, Hands: nil})
		u.SetScene(simunit.Scene{TargetMM: 150, Reflectance: 0.9})
		c := wire(t, u, protocol.Options{})
		identify(t, c)
		got := capture(t, c, protocol.CaptureRequest{Kind: protocol.Histograms, Shots: 20_000_000, Frames: 2})
		full := 0
		for _, n := range got.Counts {
			if n == 1<<16-1 {
				full++
			}
		}
		if full < 54 || slices.Max(got.Counts) != 1<<16-1 {
			t.Errorf("%d counts at the stop, highest %d", full, slices.Max(got.Counts))
		}
	})
}

func TestLaserPowerBetweenCaptures(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u := make54(t, 8, simunit.Options{Speed: 1000})
		c := wire(t, u, protocol.Options{})
		identify(t, c)
		var powers []float64
		for range 100 {
			capture(t, c, protocol.CaptureRequest{Kind: protocol.Totals, Shots: 1000, Frames: 1})
			powers = append(powers, u.Truth().CapturePower-1)
		}
		var s float64
		for _, p := range powers {
			s += p * p
		}
		if sd := math.Sqrt(s / 100); math.Abs(sd/0.01-1) > 5/math.Sqrt(200) {
			t.Errorf("power varies by %.4f, want 0.01", sd)
		}
	})
}

// The hands do what an operator would, seen from the wire alone.
func TestUsualHands(t *testing.T) {
	long := protocol.CaptureRequest{Kind: protocol.Histograms, Shots: 250_000, Frames: 4}
	short := protocol.CaptureRequest{Kind: protocol.Totals, Shots: 20_000, Frames: 1}
	synctest.Test(t, func(t *testing.T) {
		u := make54(t, 8, simunit.Options{Hands: simunit.UsualHands(2*time.Second, 300, 0.5)})
		c := wire(t, u, protocol.Options{})
		identify(t, c)
		before := sum(capture(t, c, short).Totals)
		time.Sleep(5 * time.Second)
		if u.Scene().TargetMM != 0 {
			t.Fatal("a look alone brings the target")
		}
		capture(t, c, long)
		time.Sleep(1900 * time.Millisecond)
		if u.Scene().TargetMM != 0 {
			t.Error("the target comes before its time")
		}
		time.Sleep(200 * time.Millisecond)
		if got := sum(capture(t, c, short).Totals); got < 3*before {
			t.Errorf("the target cannot be seen: %g counts, %g before", got, before)
		}
		capture(t, c, long)
		if err := write(t, c, block(t, u, protocol.Written)); err != nil {
			t.Fatal(err)
		}
		if err := write(t, c, block(t, u, protocol.Released)); err != nil {
			t.Fatal(err)
		}
		time.Sleep(1900 * time.Millisecond)
		if _, err := c.ReadConstants(t.Context()); err != nil {
			t.Errorf("taken out before the mark was read back: %v", err)
		}
		time.Sleep(1900 * time.Millisecond)
		if !u.Seated() {
			t.Error("taken out too early")
		}
		time.Sleep(200 * time.Millisecond)
		if u.Seated() || u.Scene().TargetMM != 0 {
			t.Error("a released unit must be taken out, and the target with it")
		}
	})
}

// A failed unit gets no released mark; it is taken out when the station has
// nothing more to measure.
func TestHandsTakeOutAFailedUnit(t *testing.T) {
	long := protocol.CaptureRequest{Kind: protocol.Histograms, Shots: 250_000, Frames: 4}
	synctest.Test(t, func(t *testing.T) {
		u := make54(t, 8, simunit.Options{Hands: simunit.UsualHands(time.Second, 300, 0.5)})
		c := wire(t, u, protocol.Options{})
		identify(t, c)
		capture(t, c, long)
		time.Sleep(1100 * time.Millisecond)
		capture(t, c, long)
		polls := 0
		for u.Seated() && polls < 100 {
			time.Sleep(200 * time.Millisecond)
			_, _ = c.Status(t.Context()) // in the end nothing answers
			polls++
		}
		if waited := time.Duration(polls) * 200 * time.Millisecond; waited < 3*time.Second || waited > 5*time.Second {
			t.Errorf("taken out after %v", waited)
		}
	})
}

// A unit that comes back carries its constants, however it was brought.
func TestAdjustedUnitComesBack(t *testing.T) {
	long := protocol.CaptureRequest{Kind: protocol.Histograms, Shots: 250_000, Frames: 4}
	synctest.Test(t, func(t *testing.T) {
		moves := append(simunit.UsualHands(time.Second, 300, 0.5),
			simunit.Move{On: simunit.Lifted, After: 2 * time.Second, Do: simunit.PutBack, Seating: simunit.Seating{ShiftMM: 12}})
		moves = append(moves, simunit.UsualHands(time.Second, 300, 0.5)...)
		u := make54(t, 8, simunit.Options{Hands: moves})
		c := wire(t, u, protocol.Options{})
		identify(t, c)
		done := block(t, u, protocol.Released)
		for n := range 2 {
			capture(t, c, long)
			time.Sleep(1100 * time.Millisecond)
			if u.Scene().TargetMM != 300 {
				t.Fatalf("round %d: no target", n)
			}
			if n == 0 {
				if err := write(t, c, done); err != nil {
					t.Fatal(err)
				}
				if _, err := c.ReadConstants(t.Context()); err != nil {
					t.Fatal(err)
				}
				time.Sleep(1500 * time.Millisecond)
				if u.Seated() {
					t.Fatal("not taken out")
				}
				time.Sleep(2 * time.Second)
				if id := identify(t, c); id.Serial != u.Serial() {
					t.Errorf("back with serial %q", id.Serial)
				}
				if got, err := c.ReadConstants(t.Context()); err != nil || !slices.Equal(got, done) {
					t.Errorf("back with %d bytes of constants, %v", len(got), err)
				}
			}
		}
		plain := make54(t, 8, simunit.Options{Constants: done})
		if !slices.Equal(plain.Stored(), done) || !plain.Truth().Compensated {
			t.Error("a unit made with constants does not hold them")
		}
		plain.SetScene(simunit.Scene{TargetMM: 300, Reflectance: 0.5})
		if d := u.Truth().RadialMM[22] - plain.Truth().RadialMM[22]; math.Abs(d-12) > 1 {
			t.Errorf("seated 12 mm off, the target is %.1f mm farther", d)
		}
	})
}

func TestTargetLeftIn(t *testing.T) {
	long := protocol.CaptureRequest{Kind: protocol.Histograms, Shots: 250_000, Frames: 4}
	synctest.Test(t, func(t *testing.T) {
		u := make54(t, 8, simunit.Options{Hands: simunit.TargetLeftIn(time.Second, 3*time.Second, 300, 0.5)})
		c := wire(t, u, protocol.Options{})
		identify(t, c)
		if u.Scene().TargetMM != 300 {
			t.Error("the target is not there at the beginning")
		}
		time.Sleep(3100 * time.Millisecond)
		if u.Scene().TargetMM != 0 {
			t.Error("the target was not taken away")
		}
		capture(t, c, long)
		time.Sleep(1100 * time.Millisecond)
		if u.Scene().TargetMM != 300 {
			t.Error("the target did not come back")
		}
	})
}

// Facts of the trade: common practice, no source. Nothing departs, nothing is
// compensated, counts are without noise.
func TestWindowAndRangeError(t *testing.T) {
	distances := []float64{250, 350, 450, 550, 650}
	unit := func(r simunit.Ranging, gap, thickness float64) *simunit.Unit {
		m := simunit.Hopper54()
		m.Spread, m.Departures, m.Ranging = simunit.Spread{}, simunit.Departures{}, r
		m.Window.GapMM = gap
		m.Window.Plate = window.NewPlate(window.Materials()[0], 0.94, thickness)
		m.OffsetMM = 0
		return makeUnit(t, m, 1, simunit.Options{})
	}
	const zone = 22 // the middle row, next to the middle
	// Against a unit without leakage, so that the pulse's mean cancels.
	errors := func(r simunit.Ranging, gap, thickness float64) (mm []float64) {
		u, dark := unit(r, gap, thickness), unit(r, gap, thickness)
		simunit.Blacken(dark)
		for _, d := range distances {
			s := simunit.Scene{TargetMM: d, Reflectance: 0.5}
			mm = append(mm, simunit.IdealRanges(u, s, false)[zone]-simunit.IdealRanges(dark, s, false)[zone])
		}
		return mm
	}
	good, bad := errors(simunit.RangeMean, 0.5, 1), errors(simunit.RangeMean, 1, 1.5)
	for i, d := range distances {
		if good[i] > 0 || bad[i] > 0 || i > 0 && (good[i] > good[i-1] || bad[i] > bad[i-1]) {
			t.Errorf("%g mm: a mean range must come short, the more the farther: %.2f, worse window %.2f", d, good[i], bad[i])
		}
		if bad[i] > 1.5*good[i] {
			t.Errorf("%g mm: error %.2f mm, with a worse window only %.2f mm", d, good[i], bad[i])
		}
	}
	// A pulse of 230 ps rms beside its tail: at 250 mm leakage is six of them away.
	for i, mm := range errors(simunit.RangePulse, 0.5, 1) {
		if math.Abs(mm) > 0.3 || math.Abs(mm) > 0.1*math.Abs(good[i]) {
			t.Errorf("%g mm: a resolving unit is off by %.3f mm, a mean one by %.3f mm", distances[i], mm, good[i])
		}
	}
}

// With true constants in force a unit that departs in nothing ranges right, at
// any distance.
func TestCompensatedRanges(t *testing.T) {
	for _, m := range []simunit.Model{simunit.Hopper54(), simunit.Hopper1()} {
		m.Departures = simunit.Departures{}
		synctest.Test(t, func(t *testing.T) {
			u := makeUnit(t, m, 3, simunit.Options{})
			c := wire(t, u, protocol.Options{})
			identify(t, c)
			if err := write(t, c, block(t, u, protocol.Written)); err != nil {
				t.Fatal(err)
			}
			dark := makeUnit(t, m, 3, simunit.Options{})
			simunit.Blacken(dark)
			for _, d := range []float64{250, 500, 1000} {
				s := simunit.Scene{TargetMM: d, Reflectance: 0.5}
				u.SetScene(s)
				truth := u.Truth()
				own, pure := simunit.IdealRanges(u, s, true), simunit.IdealRanges(dark, s, false)
				for z := range own {
					want := pure[z] - truth.OffsetMM[z] // what the same unit would range without any window's light
					// Stored bins are rounded to 2^-15 of the largest; a totals-only
					// block leaves the unit to guess where the leakage lies.
					limit := 0.05
					if !m.Histograms {
						limit = 0.005 * d
					}
					if math.Abs(own[z]-want) > limit {
						t.Errorf("%s zone %d at %g mm: %.3f mm, want %.3f", m.Product, z, d, own[z], want)
					}
					if m.Ranging == simunit.RangePulse && math.Abs(own[z]-truth.RadialMM[z]) > 0.05 {
						t.Errorf("%s zone %d at %g mm: %.3f mm, true %.3f", m.Product, z, d, own[z], truth.RadialMM[z])
					}
				}
			}
		})
	}
}
