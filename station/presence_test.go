package station_test

import (
	"fmt"
	"testing"
	"time"

	"example.org/panecal/station"
)

// TestGoneWhenSilentTwice: a unit whose answer is lost once, or that refuses,
// is still there.
func TestGoneWhenSilentTwice(t *testing.T) {
	denied := station.Failure{Trouble: station.Denied, Why: "not now"}
	for i, c := range []struct {
		fails []station.Failure
		want  station.Step
	}{
		{[]station.Failure{silent}, station.Showing},
		{[]station.Failure{silent, denied, denied}, station.Showing},
		{[]station.Failure{denied, denied, denied}, station.Showing},
		{[]station.Failure{silent, silent}, station.Unlabelled}, // it is there after all, and nobody scanned it
	} {
		t.Run(fmt.Sprint(i), func(t *testing.T) {
			w := newWorld(t, usual())
			w.tell(station.NoNest, 0, station.Started{})
			w.pass(time.Second)
			u := newUnit("u1", "A1")
			w.tell(station.NoNest, 0, station.Scanned{Text: "A1"})
			w.seat(0, u)
			w.attend(0)
			w.fails["0/identify"] = c.fails
			w.pass(time.Second)
			if got := w.step(0); got != c.want || len(w.fails["0/identify"]) > 0 {
				t.Errorf("%v, want %v; %d failures left", got, c.want, len(w.fails["0/identify"]))
			}
		})
	}
}

// TestNoPortIsThere: where no nest has its port the hands are told so, with the
// ports, instead of to wait; with one port back they go on.
func TestNoPortIsThere(t *testing.T) {
	s := usual()
	s.nests = 2
	w := newWorld(t, s)
	gone := map[int]bool{0: true, 1: true}
	w.fail = func(e station.Effect) *station.Failure {
		if _, ok := e.Job.(station.Open); ok && gone[e.Nest] {
			return &station.Failure{Trouble: station.Broke, Why: "no such file"}
		}
		return nil
	}
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(3 * time.Second)
	if h := w.machine.Snapshot().Hands; h.Code != station.HandsNoPorts || h.Args.Detail.String() == "" {
		t.Errorf("hands are told %+v", h)
	}
	gone[1] = false
	w.pass(3 * time.Second)
	if h := w.machine.Snapshot().Hands; h.Code != station.HandsScan {
		t.Errorf("with one port back hands are told %+v", h)
	}
	w.leave("ports")
}
