package station_test

import (
	"strings"
	"testing"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// Who works, and on what, holds from one attempt to its result, whatever
// changes in between.
func TestCrew(t *testing.T) {
	w := worldOf(t, usual(), func(c *station.Config) { c.WorkOrder, c.Lot = "WO-1", "L-1" })
	w.through("A1")
	w.tell(0, 0, station.Scanned{Text: "A2"})
	w.seat(0, newUnit("u2", "A2"))
	for range 200 { // until the attempt is under way
		if w.step(0) == station.Targeting {
			break
		}
		if len(w.pending) == 0 {
			w.nextTimer()
			continue
		}
		e := w.pending[0]
		w.drop(e)
		w.tell(e.Nest, e.Token, w.answer(e))
	}
	w.tell(station.NoNest, 0, station.Crew{Operator: "op-2", WorkOrder: "WO-2", Lot: "L-2"})
	w.attend(0)
	delete(w.units, 0)
	w.pass(2 * time.Second)
	if c := w.machine.Snapshot().Counters; c.Units != 2 {
		t.Errorf("a change of order started the counters anew: %+v", c)
	}
	w.tell(station.NoNest, 0, station.Crew{Operator: "op-3", WorkOrder: "WO-2", Lot: "L-2", WindowLot: "W-1", GasketLot: "G-1", EmitterLot: "E-1", Anew: true})
	w.through("A3")
	on := func(r record.Run) string {
		return strings.Join(strings.Fields(strings.Join([]string{r.Operator, r.WorkOrder, r.Lot, r.WindowLot, r.GasketLot, r.EmitterLot}, " ")), " ")
	}
	var got []string
	for _, e := range w.log {
		switch b := e.Body.(type) {
		case *record.AttemptIntent:
			got = append(got, "intent "+on(b.Run))
		case *record.Attempt:
			got = append(got, "result "+on(b.Run))
		}
	}
	want := "intent op-1 WO-1 L-1, result op-1 WO-1 L-1, intent op-1 WO-1 L-1, result op-1 WO-1 L-1, intent op-3 WO-2 L-2 W-1 G-1 E-1, result op-3 WO-2 L-2 W-1 G-1 E-1"
	if s := strings.Join(got, ", "); s != want {
		t.Errorf("got  %s\nwant %s", s, want)
	}
	s := w.machine.Snapshot()
	if s.Counters.Units != 1 || s.Counters.First != 1 || s.Operator != "op-3" || s.Order != "WO-2" {
		t.Errorf("after the shift change: %+v", s)
	}
}
