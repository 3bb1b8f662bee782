package main

import (
	"context"
	"fmt"
	"math"
	"net"
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"example.org/panecal/cmd/panecal/plant"
	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
)

// TestProjection takes a unit through the station and holds what its record
// projects against what the unit then does: with the constants that it was
// given it ranges at five distances by code of its own, as it was and with as
// much more leakage as the projection assumes. So it does behind a smeared
// window, whose light comes from a little farther out than the rest of the
// leakage; that is held to 0.2 mm alone.
//
// The unit follows the measurement model: what its departures add is no error
// of leakage.
func TestProjection(t *testing.T) {
	const within, share = 0.2, 0.9 // mm; of the zones within 2·u
	for _, c := range []struct {
		model     simunit.Model
		seed      uint64
		change    float64 // of leakage, relative
		distances []float64
		attempts  int // whose projections tell its uncertainty
		edits     []edit
		shots     int64   // that the unit ranges with, 4 times
		least     float64 // an error that must be seen, mm: zeros agree with zeros
	}{
		{simunit.Hopper54(), 60, 0.5, []float64{80, 150, 300, 600, 1000}, 2, []edit{
			{"hopper-54.product.toml", "leakage_change = 0.2", "leakage_change = 0.5"},
		}, 1e9, 0.05},
		// Its mean takes every count for signal. In captures as short as the
		// sample's its leakage is known to 6 %, which is 2 mm at 1000 mm.
		{simunit.Hopper1(), 62, 0.2, []float64{200, 300, 450, 700, 1000}, 8, []edit{
			{"hopper-1.product.toml", "[capture.empty]\nshots = 200000", "[capture.empty]\nshots = 100000000"},
			{"hopper-1.product.toml", "[capture.target]\nshots = 200000", "[capture.target]\nshots = 100000000"},
			{"hopper-1.product.toml", "[capture.verify]\nshots = 200000", "[capture.verify]\nshots = 100000000"},
			{"hopper-1.product.toml", "after_pass = false", "after_pass = true"},
		}, 4e9, 10},
	} {
		t.Run(c.model.Product, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				m := c.model
				m.Departures, m.Spread.SeatTiltDeg = simunit.Departures{}, 0
				list := strings.ReplaceAll(fmt.Sprint(c.distances), " ", ", ")
				s := newPipeStation(t, m.Product, append(c.edits,
					edit{m.Product + ".product.toml", "working_mm = [300, 600, 1000]", "working_mm = " + list},
					edit{m.Product + ".product.toml", "max_attempts = 3", "max_attempts = 8"})...)
				const faster = 1e5
				unit := pipeUnit(t, m, 0, c.seed, simunit.Options{Speed: faster})
				p := s.project(unit, c.attempts, c.change, c.distances)

				// The same unit on a bench, each time with the same photons.
				again := func(m simunit.Model) *simunit.Unit {
					u, err := simunit.New(m, c.seed, simunit.Options{Constants: unit.Stored(), Speed: faster})
					if err != nil {
						t.Fatal(err)
					}
					return u
				}
				smear := smearFor(t, again(m), 1+c.change)
				more := m
				more.StrayAcceptance *= 1 + c.change
				largest := 0.0
				for i, mm := range c.distances {
					scene := simunit.Scene{TargetMM: mm, Reflectance: plant.Reflectance}
					dirty := scene
					dirty.Smear = smear
					before, after := ranges(t, again(m), scene, c.shots), ranges(t, again(more), scene, c.shots)
					smeared := ranges(t, again(m), dirty, c.shots)
					zones := float64(len(before))
					var mean, seen, u2, worst, worstSmeared, in float64
					for z, want := range p.mm[i] {
						x := float64(after[z].Range-before[z].Range) / 1000
						u := math.Hypot(p.u[i], math.Hypot(float64(after[z].RangeU), float64(before[z].RangeU))/1000)
						mean, seen, u2 = mean+want/zones, seen+x/zones, u2+u*u/(zones*zones)
						if math.Abs(x-want) <= 2*u {
							in += 1 / zones
						}
						worst = max(worst, math.Abs(x-want))
						worstSmeared = max(worstSmeared, math.Abs(float64(smeared[z].Range-before[z].Range)/1000-want))
						largest = max(largest, math.Abs(x))
					}
					u := math.Sqrt(u2)
					t.Logf("%4g mm: error %+9.4f mm projected, %+9.4f mm seen, u %.4f mm; by zones: %3.0f %% within 2·u, farthest %.3f mm, smeared %.3f mm; seed %d",
						mm, mean, seen, u, 100*in, worst, worstSmeared, c.seed)
					if !(math.Abs(seen-mean) <= 2*u) {
						t.Errorf("%g mm: %.4f mm seen, %.4f mm projected, u %.4f mm", mm, seen, mean, u)
					}
					if !(in >= share) || !(worst <= within) || !(worstSmeared <= within) {
						t.Errorf("%g mm: %.0f %% of the zones within 2·u, want %.0f %%; farthest %.3f mm, smeared %.3f mm, want at most %g mm",
							mm, 100*in, 100*share, worst, worstSmeared, within)
					}
				}
				if !(largest >= c.least) {
					t.Errorf("the largest error seen is %.3f mm: too small to show anything, want %g mm", largest, c.least)
				}
			})
		})
	}
}

// projection is what an attempt projects, [distance][zone], with its standard
// uncertainty from the counts, [distance].
type projection struct {
	mm [][]float64
	u  []float64
}

// project takes a unit through the station several times and returns what the
// last attempt projects. Its uncertainty is the scatter between the attempts,
// over all zones.
func (s *pipeStation) project(u *simunit.Unit, attempts int, change float64, distances []float64) projection {
	s.t.Helper()
	all := make([][][]float64, attempts)
	for i := range all {
		a := s.run(station.Production, u)
		if r := a.Projection; r == nil || r.Change != change || !slices.Equal(r.DistanceMM, distances) {
			s.t.Fatalf("on record: %+v", a.Projection)
		}
		e, l, o := s.estimate(a)
		all[i] = e.Project(e.Constants(l, o), l, o, change, distances)
		for d, zones := range all[i] {
			worst := 0.0
			for _, mm := range zones {
				if math.Abs(mm) > math.Abs(worst) {
					worst = mm
				}
			}
			if worst != a.Projection.ErrorMM[d] {
				s.t.Errorf("%g mm: %g mm from the raw captures, %g mm on record", distances[d], worst, a.Projection.ErrorMM[d])
			}
		}
	}
	out := projection{mm: all[attempts-1]}
	for d := range distances {
		square, zones := 0.0, len(out.mm[d])
		for z := range zones {
			mean := 0.0
			for _, p := range all {
				mean += p[d][z] / float64(attempts)
			}
			for _, p := range all {
				square += (p[d][z] - mean) * (p[d][z] - mean)
			}
		}
		out.u = append(out.u, math.Sqrt(square/float64(zones*(attempts-1))))
	}
	return out
}

// ranges lets a unit range by itself, with its constants on.
func ranges(t *testing.T, u *simunit.Unit, s simunit.Scene, shots int64) []protocol.RangeZone {
	t.Helper()
	near, far := net.Pipe()
	defer near.Close()
	go func() { _ = u.Serve(context.Background(), far) }() // ends with its line
	c := protocol.NewClient(near, protocol.Options{})
	if _, err := c.Identify(t.Context()); err != nil {
		t.Fatal(err)
	}
	u.SetScene(s)
	got, err := c.Capture(t.Context(), protocol.CaptureRequest{Kind: protocol.Ranges, Compensated: true, Shots: shots, Frames: 4}, nil)
	if err != nil {
		t.Fatal(err)
	}
	for z, r := range got.Ranges {
		if !r.Ranged {
			t.Fatalf("%+v: zone %d has no range", s, z)
		}
	}
	return got.Ranges
}

// smearFor is the smear at which a unit has so many times its leakage.
func smearFor(t *testing.T, u *simunit.Unit, times float64) float64 {
	t.Helper()
	total := func(smear float64) (sum float64) {
		u.SetScene(simunit.Scene{Smear: smear})
		for _, l := range u.Truth().Leakage {
			sum += l
		}
		return sum
	}
	none := total(0)
	smear := (times - 1) * none / (total(1) - none) // what scatters adds in proportion
	if got := total(smear) / none; !(math.Abs(got-times) < 1e-9) {
		t.Fatalf("a smear of %g gives %g times the leakage, not %g", smear, got, times)
	}
	return smear
}
