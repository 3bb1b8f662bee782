package station_test

import (
	"testing"
	"time"

	"example.org/panecal/station"
)

// TestLightWaitsForTheDark: a unit that does not confirm its stop may emit
// until its watchdog acts; the next nest of its light group waits for that.
func TestLightWaitsForTheDark(t *testing.T) {
	s := usual()
	s.nests, s.one = 2, "bench"
	w := newWorld(t, s)
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	var failedAt, next time.Time
	w.fail = func(e station.Effect) *station.Failure {
		switch e.Job.(type) {
		case station.Capture:
			if e.Nest == 0 {
				failedAt = w.now
				return &silent
			}
		case station.Halt:
			return &silent
		}
		return nil
	}
	w.effects = func(e station.Effect) {
		if _, ok := e.Job.(station.Capture); ok && e.Nest == 1 && next.IsZero() {
			next = w.now
		}
	}
	w.seat(0, newUnit("u1", "A1"))
	w.seat(1, newUnit("u2", "A2"))
	w.tell(0, 0, station.Scanned{Text: "A1"})
	w.tell(1, 0, station.Scanned{Text: "A2"})
	w.pass(5 * time.Second)
	if failedAt.IsZero() || next.Sub(failedAt) < time.Second {
		t.Errorf("failed at %v, the next emits at %v", failedAt, next)
	}
	w.units[0].emits = false
	w.leave("light")
}
