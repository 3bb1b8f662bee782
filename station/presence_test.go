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
