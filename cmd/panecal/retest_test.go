package main

import (
	"fmt"
	"math"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"

	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/estimate"
	"example.org/panecal/store/record"
	"example.org/panecal/testdata/figures"
)

// spread gathers differences in units of their uncertainty.
type spread struct {
	n       int
	sum     float64
	largest float64
}

func (s *spread) add(difference, u1, u2 float64) {
	z := difference / math.Hypot(u1, u2)
	s.n++
	s.sum += z * z
	// A NaN must not hide.
	if !(math.Abs(z) <= s.largest) {
		s.largest = math.Abs(z)
	}
}

func (s *spread) rms() float64 { return math.Sqrt(s.sum / float64(s.n)) }

// repeatability holds the differences of two runs of the same units.
type repeatability struct {
	mu              sync.Mutex
	offset, leakage spread // as measured, counting terms alone
	stored          spread // offsets as written
}

// TestRetest takes units through the station twice: 6, and 20 in `make accuracy`. The second time they
// come with the constants of the first: a station that let those into its
// captures would find no leakage and no offset. Some are audited in between,
// which leaves the constants in force where production voids them first. What
// is measured again may differ by the counts alone.
//
// The units depart from the model as units do, but in nothing that changes
// between two runs of the same one: power, seat and path are still.
func TestRetest(t *testing.T) {
	units, audits, seed := 6, 2, uint64(4000)
	if os.Getenv("PANECAL_ACCURACY") == "full" {
		units, audits = 20, 5
	}
	model := simunit.Hopper54()
	model.Spread.SeatTiltDeg = 0
	model.Departures.PowerRel, model.Departures.MultipathRel = 0, 0

	var again, audited repeatability
	t.Run("units", func(t *testing.T) {
		for i := range units {
			t.Run(fmt.Sprint(i), func(t *testing.T) {
				t.Parallel()
				synctest.Test(t, func(t *testing.T) {
					s := newPipeStation(t, model.Product, quick...)
					u := pipeUnit(t, model, i, seed+uint64(i), simunit.Options{})
					first := s.run(station.Production, u)
					if i < audits {
						audited.compare(t, s, first, s.run(station.Audit, u))
					}
					again.compare(t, s, first, s.run(station.Production, u))
				})
			})
		}
	})
	for _, r := range []struct {
		name      string
		s         spread
		units     int
		low, high float64
	}{
		{"offset", again.offset, units, 0.9, 1.1},
		{"leakage", again.leakage, units, 0.9, 1.1},
		{"offset stored in the unit", again.stored, units, 0.9, 1.1},
		// A quarter of the values: twice the scatter of their rms.
		{"offset with constants in force", audited.offset, audits, 0.8, 1.2},
		{"leakage with constants in force", audited.leakage, audits, 0.8, 1.2},
	} {
		t.Logf("%-27s (x2-x1)/sqrt(u1²+u2²): rms %.3f, largest %.2f, %d zones of %d units, seeds from %d",
			r.name, r.s.rms(), r.s.largest, r.s.n, r.units, seed)
		if !(r.s.largest < 5) {
			t.Errorf("%s: largest %.2f, want below 5", r.name, r.s.largest)
		}
		figures.Tell(t, "accuracy.retest."+strings.ReplaceAll(r.name, " ", "_"), fmt.Sprintf("%.3f", r.s.rms()), "1", fmt.Sprintf("%g..%g", r.low, r.high), r.s.rms() >= r.low && r.s.rms() <= r.high)
		if n := r.units * model.Zones(); r.s.n != n {
			t.Errorf("%s: %d values, want %d", r.name, r.s.n, n)
		}
	}
}

// quick makes captures of fewer frames with the same shots, and one working
// distance: neither matters to what a retest shows.
var quick = []edit{
	{"hopper-54.product.toml", "[capture.empty]\nshots = 100000\nframes = 20", "[capture.empty]\nshots = 400000\nframes = 5"},
	{"hopper-54.product.toml", "[capture.target]\nshots = 100000\nframes = 10", "[capture.target]\nshots = 250000\nframes = 4"},
	{"hopper-54.product.toml", "[capture.verify]\nshots = 100000\nframes = 10", "[capture.verify]\nshots = 250000\nframes = 4"},
	{"hopper-54.product.toml", "working_mm = [300, 600, 1000]", "working_mm = [1000]"},
}

// compare adds the differences of two runs of one unit.
func (r *repeatability) compare(t *testing.T, s *pipeStation, a, b *record.Attempt) {
	t.Helper()
	_, _, first := s.estimate(a)
	_, _, second := s.estimate(b)
	r.mu.Lock()
	defer r.mu.Unlock()
	for z := range a.Zones.OffsetMM {
		r.offset.add(b.Zones.OffsetMM[z]-a.Zones.OffsetMM[z], countingMM(first, z), countingMM(second, z))
		r.leakage.add(b.Zones.Leakage[z]-a.Zones.Leakage[z], a.Zones.LeakageU[z], b.Zones.LeakageU[z])
	}
	if b.Constants == nil {
		return
	}
	old, renewed := block(t, a.Constants.Written), block(t, b.Constants.Written)
	oldUnit, newUnit := s.raw(a).unit, s.raw(b).unit
	for z := range a.Zones.OffsetMM {
		// What is stored corrects the unit's own range: its counts decide.
		r.stored.add(renewed.OffsetMillimetres(z)-old.OffsetMillimetres(z), oldUnit.Zones[z].RangeUMM, newUnit.Zones[z].RangeUMM)
	}
}

// countingMM is the part of a zone's offset uncertainty that counts of both
// captures make.
func countingMM(o *estimate.Offsets, z int) float64 {
	u := 0.0
	for _, l := range o.ZoneBudget(z) {
		if l.Line == estimate.LineCounting || l.Line == estimate.LineLeakage {
			u = math.Hypot(u, l.MM)
		}
	}
	return u
}
