package station_test

import (
	"strings"
	"testing"

	"example.org/panecal/station"
	"example.org/panecal/station/product"
	"example.org/panecal/store/record"
)

// A station that lacks what it needs is refused, and says what.
func TestConfigIsChecked(t *testing.T) {
	for _, c := range []struct {
		want   string
		change func(*station.Config)
	}{
		{"no released files", func(c *station.Config) { c.Files = nil }},
		{"the station has no name", func(c *station.Config) { c.Station = "" }},
		{"the station sheet has no nest", func(c *station.Config) { c.Files.Sheet.Nests = nil }},
		{`nest name "" is missing`, func(c *station.Config) { c.Files.Sheet.Nests[0].Name = "" }},
		{`nest name "nest-1" is missing or used twice`, func(c *station.Config) {
			c.Files.Sheet.Nests = append(c.Files.Sheet.Nests, product.Nest{Name: "nest-1"})
		}},
		{"purpose", func(c *station.Config) { c.Purpose = "rehearsal" }},
	} {
		s := usual()
		config := s.config(t)
		c.change(&config)
		if m, err := station.New(config); err == nil || m != nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v; want %q", err, c.want)
		}
	}
}

func TestFirstPassYield(t *testing.T) {
	for _, c := range []struct {
		first, passed int
		yield         float64
		known         bool
	}{{0, 0, 0, false}, {1, 0, 0, true}, {1, 1, 1, true}, {4, 3, 0.75, true}} {
		y, known := station.Counters{First: c.first, FirstPassed: c.passed}.FirstPassYield()
		if y != c.yield || known != c.known {
			t.Errorf("%d of %d: %g, %v", c.passed, c.first, y, known)
		}
	}
}

// A block that cannot be built ends the attempt, and no intent to write it goes
// on record.
func TestNoIntentWithoutABlock(t *testing.T) {
	w := newWorld(t, usual())
	w.tell(station.NoNest, 0, station.Started{})
	long := "A" + strings.Repeat("1", 40) // a block has room for 32
	w.calibrate(0, long, newUnit("u1", long))
	for _, e := range w.log {
		if _, ok := e.Body.(*record.WriteIntent); ok {
			t.Errorf("record %d: %+v", e.Ref.Sequence, e.Body)
		}
	}
	a := w.attempts()
	if len(a) != 1 || a[0].Outcome == station.Passed || problems(a[0]) != string(station.BrokenEstimate) {
		t.Errorf("%d attempts, %+v", len(a), a)
	}
}
