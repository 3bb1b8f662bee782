package query_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store"
	"example.org/panecal/store/query"
	"example.org/panecal/store/record"
)

// attempts is a log as its attempts stand in columns.
type attempts []store.Row

func (a attempts) Attempts(_ store.Filter, _ []quantity.Name, each func(*store.Row) error) error {
	for i := range a {
		if err := each(&a[i]); err != nil {
			return err
		}
	}
	return nil
}

// TestSinceCheck: a nest's units are those that ran there last since its last good
// check; a check unit that did not pass leaves them, one that passed in another
// nest too, and an audit makes no unit one of the nest's.
func TestSinceCheck(t *testing.T) {
	var log attempts
	run := func(nest, serial string, p record.Purpose, o record.Outcome) {
		log = append(log, store.Row{Nest: nest, Serial: serial, Purpose: p, Outcome: o, Time: time.Date(2027, 3, 1, 6, len(log), 0, 0, time.UTC), Released: o == record.Passed})
	}
	want := func(text string) {
		t.Helper()
		c, err := query.SinceCheck(log)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, n := range c.Nests {
			good := "-"
			if n.Good != nil {
				good = n.Good.Serial
			}
			line := fmt.Sprintf("%s %s %d:", n.Nest, good, len(n.Bad))
			for _, u := range n.Units {
				line += " " + u.Serial
			}
			got = append(got, line)
		}
		if s := strings.Join(got, "; "); s != text {
			t.Errorf("%s, want %s", s, text)
		}
	}
	want("")
	run("A", "1", record.Production, record.Passed)
	run("B", "2", record.Production, record.Failed)
	want("A - 0: 1; B - 0: 2")
	run("A", "C1", record.CheckUnit, record.Passed)
	run("A", "3", record.Production, record.Passed)
	run("A", "4", record.Production, record.Passed)
	run("A", "9", record.Audit, record.Passed)
	want("A C1 0: 3 4; B - 0: 2")
	run("B", "4", record.Production, record.Passed) // stands with B now
	run("A", "C1", record.CheckUnit, record.Aborted)
	run("A", "C1", record.CheckUnit, record.Failed)
	run("A", "C1", record.CheckUnit, record.Error)
	want("A C1 2: 3; B - 0: 2 4")
	run("B", "C2", record.CheckUnit, record.Passed)
	run("A", "2", record.Engineering, record.Passed)
	want("A C1 2: 3 2; B C2 0:")
	run("A", "C2", record.CheckUnit, record.Passed)
	want("A C2 0:; B C2 0:")
	var b strings.Builder
	c, err := query.SinceCheck(log)
	if err != nil || c.WriteText(&b) != nil || !strings.Contains(b.String(), "nest A: check unit C2 passed at 2027-03-01 06:12, 0 did not pass since, 0 units since") {
		t.Errorf("%s, %v", b.String(), err)
	}
}
