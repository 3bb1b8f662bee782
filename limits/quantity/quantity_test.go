package quantity_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"example.org/panecal/limits/quantity"
)

// TestColumns pins the row layout: a column that moves would make every old
// row say something else.
func TestColumns(t *testing.T) {
	next := 0
	names := map[quantity.Name]bool{}
	for _, d := range quantity.All() {
		if names[d.Name] {
			t.Errorf("%s is defined twice", d.Name)
		}
		names[d.Name] = true
		if d.Column != next {
			t.Errorf("%s starts at column %d, want %d", d.Name, d.Column, next)
		}
		next = d.Column + d.Width()
	}
	if next != quantity.Columns {
		t.Errorf("the columns end at %d, Columns says %d", next, quantity.Columns)
	}
}

const pinned = `leakage.max 0
leakage.total 10
leakage.x_balance 12
leakage.y_balance 14
leakage.late 16
leakage.distance 18
leakage.change 20
pulse.width 22
pulse.misfit 24
ambient.max 26
stray.significance 36
rate.max 38
offset.mean 48
offset.spread 50
offset.uncertainty 52
signal.ratio 54
seat.tilt 56
estimator.difference 58
verify.error 60
verify.error_far 70
range.error_projected 80
temperature 82
zones.dead 84
zones.hot 86
signal.min 88
target.misfit 98
zones.misfit 100
zones.no_signal 102
`

// TestColumnsAreForEver compares with a copy that may only grow.
func TestColumnsAreForEver(t *testing.T) {
	var b strings.Builder
	for _, d := range quantity.All() {
		fmt.Fprintf(&b, "%s %d\n", d.Name, d.Column)
	}
	more, ok := strings.CutPrefix(b.String(), pinned)
	if !ok {
		t.Errorf("columns changed:\n%s\nwant the old ones first:\n%s", b.String(), pinned)
	} else if more != "" {
		t.Errorf("not pinned yet; add to the list in this file:\n%s", more)
	}
}

func TestExtremes(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name      string
		m         quantity.Measured
		k         float64
		high, low float64
	}{
		{"one value", quantity.Measured{Value: quantity.Value{V: 2, U: 0.5}}, 2, 3, 1},
		{"no uncertainty", quantity.Measured{Value: quantity.Value{V: 2, U: nan}}, 2, 2, 2},
		// The zone with the largest value is not the one with the largest
		// value + 2 u: the limit has to see the second.
		{"uncertain zone decides", quantity.Worst([]quantity.Value{{V: 10, U: 0}, {V: 9, U: 1}}), 2, 11, 7},
		{"flagged zone is left out", quantity.Worst([]quantity.Value{{V: nan, U: nan}, {V: -3, U: 1}}), 1, -2, -4},
		{"all flagged", quantity.Worst([]quantity.Value{{V: nan, U: nan}}), 1, nan, nan},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := c.m.High(c.k); !same(got, c.high) {
				t.Errorf("High = %v, want %v", got, c.high)
			}
			if got := c.m.Low(c.k); !same(got, c.low) {
				t.Errorf("Low = %v, want %v", got, c.low)
			}
		})
	}
}

func TestWorstIsLargestMagnitude(t *testing.T) {
	m := quantity.Worst([]quantity.Value{{V: 1, U: 1}, {V: -4, U: 2}, {V: 3, U: 3}})
	if m.V != -4 || m.U != 2 {
		t.Errorf("Worst = %v ± %v, want -4 ± 2", m.V, m.U)
	}
}

func TestLeastIsSmallest(t *testing.T) {
	nan := math.NaN()
	m := quantity.Least([]quantity.Value{{V: nan, U: nan}, {V: 2, U: 1}, {V: -4, U: 2}, {V: 3, U: 3}})
	if m.V != -4 || m.U != 2 || len(m.Zones) != 4 {
		t.Errorf("Least = %v ± %v, want -4 ± 2", m.V, m.U)
	}
	if m := quantity.Least([]quantity.Value{{V: nan, U: 1}}); !math.IsNaN(m.V) {
		t.Errorf("of no value: %v", m.V)
	}
}

func TestRow(t *testing.T) {
	s := quantity.Set{
		quantity.LeakageMax: quantity.Worst([]quantity.Value{{V: 10, U: 0}, {V: 9, U: 1}}),
	}
	s.Put(quantity.OffsetMean, -1.5, 0.25)
	r, err := s.Row()
	if err != nil {
		t.Fatal(err)
	}
	for k := range 4 {
		for n, m := range s {
			if got, ok := r.High(n, float64(k)); !ok || got != m.High(float64(k)) {
				t.Errorf("row High(%s, %d) = %v %v, set says %v", n, k, got, ok, m.High(float64(k)))
			}
			if got, ok := r.Low(n, float64(k)); !ok || got != m.Low(float64(k)) {
				t.Errorf("row Low(%s, %d) = %v %v, set says %v", n, k, got, ok, m.Low(float64(k)))
			}
		}
	}
	if v, ok := r.High(quantity.LeakageMax, 1.5); ok {
		t.Errorf("a row cannot know k = 1.5 of a zoned quantity, said %v", v)
	}
	if v, ok := r.High(quantity.SeatTilt, 0); ok {
		t.Errorf("an absent quantity gave %v", v)
	}
	if v, ok := r[:20].High(quantity.OffsetMean, 0); ok {
		t.Errorf("a short row gave %v", v)
	}
	if _, err := (quantity.Set{"no.such": {}}).Row(); err == nil {
		t.Error("an unknown name made a row")
	}
}

func TestAllIsACopy(t *testing.T) {
	a := quantity.All()
	a[0].Name = "changed"
	if !slices.ContainsFunc(quantity.All(), func(d quantity.Definition) bool { return d.Name == quantity.LeakageMax }) {
		t.Error("a caller changed the table")
	}
}

func same(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }

func ExampleMeasured_High() {
	zones := quantity.Worst([]quantity.Value{{V: 0.010, U: 0.0001}, {V: 0.009, U: 0.002}})
	fmt.Printf("largest %.3f, judged at k = 2: %.3f\n", zones.V, zones.High(2))
	// Output: largest 0.010, judged at k = 2: 0.013
}
