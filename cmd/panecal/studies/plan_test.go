package studies

import (
	"fmt"
	"slices"
	"testing"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store/record"
)

func twoByThree() plan {
	return plan{Parts: []string{"P1", "P2", "P3"}, Labels: []string{"P1", "P2", "P3"}, Appraiser: byNest, Appraisers: []string{"A", "B"}, Trials: 4, Seed: 7, Quantity: "offset.mean"}
}

// In each round every appraiser has every part once; a seed says the order again,
// another one another order.
func TestOrder(t *testing.T) {
	p := twoByThree()
	order := p.order()
	if len(order) != 24 || fmt.Sprint(order) != fmt.Sprint(p.order()) {
		t.Fatalf("%d trials", len(order))
	}
	for round := range p.Trials {
		seen := map[[2]int]int{}
		for _, x := range order[6*round : 6*round+6] {
			if x.round != round {
				t.Errorf("%+v in round %d", x, round)
			}
			seen[[2]int{x.part, x.appraiser}]++
		}
		if len(seen) != 6 {
			t.Errorf("round %d: %v", round, seen)
		}
	}
	q := p
	q.Seed = 8
	if fmt.Sprint(order) == fmt.Sprint(q.order()) || slices.IsSortedFunc(order[:6], func(a, b trial) int { return a.part - b.part }) {
		t.Error("the order does not follow the seed")
	}
}

// attempt is one of a study on record; a quantity of "" has no value.
func attempt(sequence uint64, serial, nest, study string, purpose record.Purpose, value float64, name quantity.Name) record.Entry {
	a := &record.Attempt{Run: record.Run{Serial: serial, Nest: nest, WorkOrder: study, Purpose: purpose}}
	if name != "" {
		s := quantity.Set{}
		s.Put(name, value, 0.1)
		a.Quantities, _ = record.Quantities(s)
	}
	return record.Entry{Ref: record.Ref{Station: "S1", Sequence: sequence}, Body: a}
}

// After a cut the log alone says what is left: what gave no value, belongs to
// another study or is too many does not count.
func TestMatch(t *testing.T) {
	p := twoByThree()
	p.Trials = 2
	var log []record.Entry
	n := uint64(0)
	add := func(serial, nest, study string, purpose record.Purpose, name quantity.Name) {
		n++
		log = append(log, attempt(n, serial, nest, study, purpose, float64(n), name))
	}
	for _, x := range p.order()[:7] {
		add(p.Parts[x.part], p.Appraisers[x.appraiser], "w48", record.InStudy, quantity.OffsetMean)
	}
	have := p.match("w48", log)
	if left := p.left(have); len(have) != 7 || fmt.Sprint(left) != fmt.Sprint(p.order()[7:]) {
		t.Errorf("%d done, left %v", len(have), left)
	}
	x := p.order()[7]
	next := func(study string, purpose record.Purpose, name quantity.Name) {
		add(p.Parts[x.part], p.Appraisers[x.appraiser], study, purpose, name)
	}
	next("w47", record.InStudy, quantity.OffsetMean)
	next("w48", record.Production, quantity.OffsetMean)
	next("w48", record.InStudy, "")
	next("w48", record.InStudy, quantity.LeakageMax)
	add("P9", "A", "w48", record.InStudy, quantity.OffsetMean)
	add("P1", "C", "w48", record.InStudy, quantity.OffsetMean)
	first := p.order()[0]
	for range 3 { // one is wanted, two are too many
		add(p.Parts[first.part], p.Appraisers[first.appraiser], "w48", record.InStudy, quantity.OffsetMean)
	}
	have = p.match("w48", log)
	for _, t2 := range p.left(have) {
		if t2 == first {
			t.Errorf("%+v is left, and was measured", t2)
		}
	}
	if left := p.left(have); !slices.Contains(left, x) || len(have) > 8 {
		t.Errorf("%d done, left %v", len(have), left)
	}
	for _, x := range p.left(have) {
		add(p.Parts[x.part], p.Appraisers[x.appraiser], "w48", record.InStudy, quantity.OffsetMean)
	}
	if have = p.match("w48", log); len(p.left(have)) != 0 || len(have) != 12 {
		t.Errorf("%d done at the end, left %v", len(have), p.left(have))
	}
}
