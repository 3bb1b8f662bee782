package station_test

import (
	"fmt"
	"testing"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// With nests that empty at once every label of two thousand scans that is
// taken leads to an attempt of that label and no other.
func TestTwoThousandScansWithUnits(t *testing.T) {
	s := usual()
	s.nests = 3
	w := newWorld(t, s)
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	var want []string
	refused := 0
	for i := range 2000 {
		text := fmt.Sprintf("A%d", i)
		if i%4 != 0 {
			text += "?#/"[i%4-1 : i%4]
		}
		w.said = nil
		w.tell(station.NoNest, 0, station.Scanned{Text: text})
		if i%4 != 0 {
			if len(w.said) != 1 || w.said[0].Code != station.RefusedLabel || w.said[0].Args.Label != text || w.machine.Snapshot().Label != "" {
				t.Fatalf("%q: %+v", text, w.said)
			}
			refused++
			continue
		}
		if w.machine.Snapshot().Label != text {
			t.Fatalf("%q is not open, but %q: %+v", text, w.machine.Snapshot().Label, w.said)
		}
		nest := i % 3
		u := newUnit("u"+text, text)
		w.seat(nest, u)
		w.pass(300 * time.Millisecond)
		w.attend(nest)
		delete(w.units, nest)
		w.pass(time.Second)
		want = append(want, text)
	}
	var got []string
	for _, e := range w.log {
		if a, ok := e.Body.(*record.Attempt); ok {
			got = append(got, a.Run.Label)
			if a.Run.UnitID != "u"+a.Run.Label {
				t.Fatalf("label %s with unit %s", a.Run.Label, a.Run.UnitID)
			}
		}
	}
	t.Logf("%d taken, %d refused", len(got), refused)
	if len(got) < 500 || fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%d attempts of %d labels", len(got), len(want))
	}
}
