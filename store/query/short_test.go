package query_test

import (
	"bytes"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store"
	"example.org/panecal/store/query"
	"example.org/panecal/store/record"
)

// The short history fits the smallest screen, is safe to show, and tells what the
// same unit did under another label.
func TestShortHistory(t *testing.T) {
	s := history(t)
	last := s[2].Body.(*record.Attempt)
	second := *last
	second.Run.AttemptNo, second.Run.Nest, second.Outcome = 2, "B", record.Passed
	set := quantity.Set{}
	set.Put(quantity.OffsetMean, 3.25, 0.2)
	set[quantity.LeakageMax] = quantity.Worst([]quantity.Value{{V: 0.0201, U: 0.0015}})
	var err error
	if second.Quantities, err = record.Quantities(set); err != nil {
		t.Fatal(err)
	}
	second.Run.UnitID = "u-a0" // the label on another unit
	s.add(t, &second)
	s.add(t, &record.Refusal{Serial: "H54-000888", UnitID: "u-a0", Code: "label", Chain: strings.Repeat("much to say ", 20)})
	u, err := query.History(s, "H54-000123")
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := u.WriteText(&b, time.FixedZone("site", 2*3600)); err != nil {
		t.Fatal(err)
	}
	text := b.String()
	for i, line := range strings.Split(text, "\n") {
		if n := utf8.RuneCountInString(line); n > 80 {
			t.Errorf("line %d has %d columns: %s", i+1, n, line)
		}
	}
	if strings.ContainsAny(text, "\x1b\u202e") {
		t.Error("a control character reaches the terminal")
	}
	for _, want := range []string{
		"MORE THAN ONE UNIT", "ALSO SEEN AS H54-000777, H54-000888", "[label H54-000888]", "[unit u-a0]", "08:00:03", "rework by op-7: window wiped",
		"disposition rework to hold", "*B", "*passed", "leakage.max 0.02 ± 0.0015", "*3.25(20)", "attempt 2 (production) begun in nest A by op-7  UNFINISHED", "\nleakage.max             0.0200(15)         0.0201(15)\n",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the history does not say %q:\n%s", want, text)
		}
	}
	if n := len(u.Timeline); n != 8 {
		t.Errorf("%d moments, want 8: intents that were carried out are told by their result", n)
	}
}

// past gives the records of a source by time.
type past struct{ source }

// How the check units stood: the newest of each in the nest, within the day before.
func TestCheckUnits(t *testing.T) {
	s := history(t)
	a := s[2].Body.(*record.Attempt)
	check := func(serial, nest string, o record.Outcome) {
		c := *a
		c.Intent, c.WriteIntent = nil, nil
		c.Run.Serial, c.Run.Nest, c.Run.Purpose, c.Outcome = serial, nest, record.CheckUnit, o
		s.add(t, &c)
	}
	check("C-1", "A", record.Failed)
	check("C-1", "A", record.Passed)
	check("C-2", "B", record.Passed)
	check("C-3", "A", record.Failed)
	last := *a
	last.Run.AttemptNo = 3
	s.add(t, &last)
	u, err := query.History(s, "H54-000123")
	if err != nil {
		t.Fatal(err)
	}
	if err := u.AddChecks(past{s}); err != nil {
		t.Fatal(err)
	}
	got := u.Attempts[len(u.Attempts)-1].CheckUnits
	if len(got) != 2 || got[0].Serial != "C-3" || got[0].Outcome != record.Failed || got[1].Serial != "C-1" || got[1].Outcome != record.Passed {
		t.Errorf("check units %+v", got)
	}
	if first := u.Attempts[0].CheckUnits; len(first) != 0 {
		t.Errorf("check units that ran later: %+v", first)
	}
}

func (p past) PositionsBetween(from, to time.Time) (list []store.Position, _ error) {
	for _, e := range p.source {
		if !e.Time.Before(from) && e.Time.Before(to) {
			list = append(list, store.Position{Ref: e.Ref, Time: e.Time, Kind: e.Body.Kind()})
		}
	}
	return list, nil
}

func (p past) Runs(list []store.Position, of record.Purpose, each func(record.Entry) error) error {
	for _, at := range list {
		e := p.source[at.Ref.Sequence-1]
		if a, ok := e.Body.(*record.Attempt); ok && a.Run.Purpose == of {
			if err := each(e); err != nil {
				return err
			}
		}
	}
	return nil
}
