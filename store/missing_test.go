package store_test

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"example.org/panecal/store"
)

// What is lost of a log is told with its numbers: at its beginning, in its
// middle, and at its end, which only the head file knows.
func TestMissingRecordsAreTold(t *testing.T) {
	p := newPatient(t) // the first segment is that of its making, three of four records follow
	for _, c := range []struct {
		name  string
		harm  func(map[string][]byte)
		span  store.Span
		whole uint64
		said  string
	}{
		{"first segment", func(f map[string][]byte) { delete(f, "journal-00000002.seg") }, store.Span{From: 1, To: 4}, 0, "records 1 to 4: in no copy\n"},
		{"middle segment", func(f map[string][]byte) { delete(f, "journal-00000003.seg") }, store.Span{From: 5, To: 8}, 4, "records 5 to 8: in no copy\n"},
		{"last segment", func(f map[string][]byte) { delete(f, "journal-00000004.seg") }, store.Span{From: 9, To: 12}, 8, "records 9 to 12: in no copy\n"},
		{"last record", func(f map[string][]byte) {
			name := "journal-00000004.seg"
			f[name] = f[name][:len(f[name])-1]
		}, store.Span{From: 12, To: 12}, 11, "record 12: in no copy\n"},
	} {
		state := maps.Clone(p.files)
		before := len(state)
		c.harm(state)
		if c.name != "last record" && len(state) != before-1 {
			t.Fatalf("%s: nothing to harm among %v", c.name, slices.Collect(maps.Keys(state)))
		}
		lay(t, p.dir, state)
		s, err := store.FindRecords(p.dir)
		if err != nil {
			t.Fatal(err)
		}
		if len(s.Missing) != 1 || s.Missing[0] != c.span || s.Whole.Sequence != c.whole || !strings.Contains(s.Text(), c.said) {
			t.Errorf("%s: missing %v, whole up to %d\n%s", c.name, s.Missing, s.Whole.Sequence, s.Text())
		}
	}
}
