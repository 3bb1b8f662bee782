package causes

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"

	"example.org/panecal/station/cause"
	"example.org/panecal/testdata/figures"
)

// TestCauses tries the table on simulated units that it has not learnt: another
// scatter law, another pulse, larger departures. `make causes` has 2,000 faulty
// and 2,000 healthy units; here are a few, whose faults are large.
func TestCauses(t *testing.T) {
	table, err := cause.Default()
	if err != nil {
		t.Fatal(err)
	}
	units := 0
	if text := os.Getenv("PANECAL_CAUSES"); text != "" {
		if units, err = strconv.Atoi(text); err != nil || units < 12 {
			t.Fatalf("PANECAL_CAUSES=%q: units, 12 or more", text)
		}
	}
	if units == 0 {
		few(t, table)
		return
	}
	w := trying()
	t.Logf("seed %d: %+v", w.seed, *w)
	tr, err := newTrial(t.Context(), table, w, usualUnits)
	if err != nil {
		t.Fatal(err)
	}
	err = tr.run(t.Context(), units, units, func(done, of int) {
		if done%200 == 0 {
			fmt.Fprintf(os.Stderr, "%d of %d units\n", done, of)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	c := tr.sum()
	var b strings.Builder
	if err := c.writeText(&b); err != nil {
		t.Fatal(err)
	}
	for _, l := range c.Experiment {
		fmt.Fprintf(&b, "%-11s %4d carried out, %s told the true cause\n", l.Name, l.Tried, percent(l.Separated, l.Tried))
	}
	t.Log("\n" + b.String())
	share := func(name string, n, of int, goal string, ok func(v float64) bool) {
		v := 100 * float64(n) / float64(max(of, 1))
		figures.Tell(t, name, fmt.Sprintf("%.1f", v), "%", goal, of > 0 && ok(v))
	}
	atLeast := func(least float64) func(float64) bool { return func(v float64) bool { return v >= least } }
	share("causes.told_apart", c.ToldApart, c.Failing, ">=60", atLeast(60))
	share("causes.right", c.Right, c.ToldApart, ">=85", atLeast(85))
	share("causes.sure_wrong", c.SureWrong, c.Sure, "<=5", func(v float64) bool { return v <= 5 })
	share("causes.accused", c.Accused, c.Healthy, "<=0.6", func(v float64) bool { return v <= 0.6 })
	share("causes.experiments", c.Separated, c.Tried, ">=80", atLeast(80))
	figures.Tell(t, "causes.brier", fmt.Sprintf("%.3f", c.Brier), "1", "<=0.5", c.Brier <= 0.5)
}

// few units, each with a large fault of a kind that is told apart by itself, and
// what is named where it is not.
func few(t *testing.T, table *cause.Table) {
	tr, err := newTrial(t.Context(), table, trying(), 8)
	if err != nil {
		t.Fatal(err)
	}
	for i, f := range []fault{
		{code: cause.Moisture, size: 0.2, turn: 0.3, extra: 0.5, left: 1},
		{code: cause.Reflection, size: 0.02, turn: 0.5, extra: 0.3, left: 1},
		{code: cause.Emitter, size: 1.5, turn: 0.3, extra: 0.3, left: 1},
		{code: cause.Zones, size: 3, turn: 0.3, extra: 0.3, left: 1},
		{code: cause.Seat, size: 3, turn: 0.3, extra: 0.6, left: 1},
		{code: cause.Constants, size: 9, turn: 0.3, extra: 0.6, left: 1},
		{code: cause.None, size: 1, left: 1},
	} {
		e, fails, err := tr.b.measure(t.Context(), 77+uint64(i), 0, f)
		if err != nil {
			t.Fatal(err)
		}
		r := cause.Rank(&e, nil, tr.usual, table)
		if top := r.Causes[0]; top.Code != f.code || f.code != cause.None && (!fails || top.Probability < 0.5 || len(top.For) == 0) {
			t.Errorf("%s: %s at %.2f, fails the limits %t, %d findings for it", f.code, top.Code, top.Probability, fails, len(top.For))
		}
	}
}
