package store_test

import (
	"os"
	"path/filepath"
	"slices"
	"testing"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// What is found through the index is what going through all attempts finds, with
// what became of each.
func TestFiledIsAttempts(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "first")
	if err := os.CopyFS(dir, os.DirFS("../testdata/first-store/store")); err != nil {
		t.Fatal(err)
	}
	f, err := store.Follow(dir, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var all []store.Row
	if err := f.Attempts(store.Filter{OnHold: true}, nil, collect(&all)); err != nil {
		t.Fatal(err)
	}
	held := map[uint64]bool{}
	for _, r := range all {
		held[r.Sequence] = true
	}
	all = nil
	if err := f.Attempts(store.Filter{}, nil, collect(&all)); err != nil {
		t.Fatal(err)
	}
	terms := func(r *store.Row, topic store.Topic) string {
		switch topic {
		case store.Serial:
			return r.Serial
		case store.UnitID:
			return r.UnitID
		}
		return r.Order
	}
	tried := 0
	for _, topic := range []store.Topic{store.Serial, store.UnitID, store.Order} {
		for _, r := range all {
			term := terms(&r, topic)
			if term == "" {
				continue
			}
			var want []store.Row
			for _, o := range all {
				if terms(&o, topic) == term && o.Outcome == record.Passed {
					o.OnHold = held[o.Sequence]
					want = append(want, o)
				}
			}
			var got []store.Row
			n, err := f.Filed(topic, term, store.Filter{Outcome: record.Passed}, collect(&got))
			if err != nil || n < len(got) {
				t.Fatal(n, err)
			}
			same := slices.EqualFunc(got, want, func(a, b store.Row) bool {
				return a.Sequence == b.Sequence && a.Released == b.Released && a.OnHold == b.OnHold && a.Station == b.Station && a.Serial == b.Serial
			})
			if !same {
				t.Errorf("%c %s: %d attempts, want %d, or other ones", topic, term, len(got), len(want))
			}
			tried += len(want)
		}
	}
	if tried < 10 {
		t.Errorf("only %d attempts were tried", tried)
	}
	if n, err := f.Filed(store.Serial, "nothing", store.Filter{}, collect(&all)); n != 0 || err != nil {
		t.Errorf("%d records about nothing: %v", n, err)
	}
}

func collect(into *[]store.Row) func(*store.Row) error {
	return func(r *store.Row) error { *into = append(*into, *r); return nil }
}
