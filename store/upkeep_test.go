package store_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// starts opens a store anew for each unit, with a raw capture: every start
// begins a segment of each kind.
func starts(t *testing.T, dir string, n int) {
	t.Helper()
	now := clock()
	for i := range n {
		s, err := store.Open(dir, store.Options{Now: func() time.Time { return now().AddDate(0, 0, 10*i) }})
		if err != nil {
			t.Fatal(err)
		}
		ref, err := s.AppendCapture(record.Capture{Name: "empty", Counts: make(record.Counts, 100)})
		if err != nil {
			t.Fatal(err)
		}
		a := attempt("A", i+1)
		a.Captures = []record.CaptureRef{ref}
		if _, err := s.Append(a); err != nil {
			t.Fatal(err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// rounds reads the whole store over and returns what was found.
func rounds(t *testing.T, s *store.Store, now time.Time) (list []store.Problem) {
	t.Helper()
	p := s.NewPatrol()
	list, err := p.Seals()
	if err != nil {
		t.Fatal(err)
	}
	for p.Due(now) {
		found, _, err := p.Next(now)
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, found...)
	}
	return list
}

// The station that works finds a flipped bit in an older segment, a missing
// segment in the middle and segments that were exchanged; a whole log is read
// once a day and nothing is said of it.
func TestPatrolFindsDamageWhileTheStationWorks(t *testing.T) {
	dir := create(t)
	starts(t, dir, 4)
	day := time.Date(2026, 5, 1, 6, 0, 0, 0, time.UTC)
	s := open(t, dir)
	if list := rounds(t, s, day); len(list) > 0 {
		t.Errorf("a whole log: %v", list)
	}
	if s.NewPatrol().Due(day.Add(23*time.Hour)) || !s.NewPatrol().Due(day.Add(25*time.Hour)) || !s.NewPatrol().Due(day.Add(-time.Hour)) {
		t.Error("more than a round a day, or less")
	}
	middle, other := filepath.Join(dir, "journal-00000002.seg"), filepath.Join(dir, "journal-00000003.seg")
	capture := filepath.Join(dir, "capture-00000002.seg")
	read := func(name string) []byte {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	a, b, c := read(middle), read(other), read(capture)
	flip := func(data []byte) []byte { data[len(data)-20] ^= 4; return data }
	for name, harm := range map[string]func() error{
		"a flipped bit":         func() error { return os.WriteFile(middle, flip(read(middle)), 0o640) },
		"a flipped capture":     func() error { return os.WriteFile(capture, flip(read(capture)), 0o640) },
		"a missing segment":     func() error { return os.Remove(middle) },
		"a missing capture":     func() error { return os.Remove(capture) },
		"exchanged segments":    func() error { return errors.Join(os.WriteFile(middle, b, 0o640), os.WriteFile(other, a, 0o640)) },
		"a segment that is cut": func() error { return os.Truncate(middle, int64(len(a)-30)) },
	} {
		if err := harm(); err != nil {
			t.Fatal(err)
		}
		day = day.AddDate(0, 0, 2)
		if list := rounds(t, s, day); len(list) == 0 || !strings.HasPrefix(list[0].File, "journal-0000000") && !strings.HasPrefix(list[0].File, "capture-0000000") {
			t.Errorf("%s: %v", name, list)
		}
		if err := errors.Join(os.WriteFile(middle, a, 0o640), os.WriteFile(other, b, 0o640), os.WriteFile(capture, c, 0o640)); err != nil {
			t.Fatal(err)
		}
	}
	if list := rounds(t, s, day.AddDate(0, 0, 2)); len(list) > 0 {
		t.Errorf("whole again: %v", list)
	}
}

// Raw captures go by age or size, on record first; a check says removed, not
// missing, as does a reader; what else goes is damage.
func TestRetention(t *testing.T) {
	dir := create(t)
	starts(t, dir, 5)
	s := open(t, dir)
	if n, err := s.RemoveCaptures(store.Retention{}); n != 0 || err != nil {
		t.Errorf("with no rule: %d, %v", n, err)
	}
	var refs []record.CaptureRef
	list, err := s.BySerial("A")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		refs = append(refs, e.Body.(*record.Attempt).Captures[0])
	}
	check := func(want, note string) {
		t.Helper()
		r, err := store.Check(dir, store.CheckOptions{Deep: true})
		if err != nil || faults(r) != want || !strings.Contains(strings.Join(r.Notes, "; "), note) {
			t.Errorf("check: %v, %v, %v", r.Problems, r.Notes, err)
		}
	}
	since := time.Date(2026, 3, 20, 0, 0, 0, 0, time.UTC) // the third began at the 22nd
	if n, err := s.RemoveCaptures(store.Retention{Since: since, Rule: `keep_captures = "240h"`}); n != 1 || err != nil {
		t.Errorf("by age: %d, %v", n, err)
	}
	check("", `1 files of raw captures were removed, as record 6 says: keep_captures = "240h"`)
	if n, err := s.RemoveCaptures(store.Retention{Bytes: 1, Rule: "keep_captures_mb = 1"}); n != 3 || err != nil {
		t.Errorf("by size: %d, %v", n, err)
	}
	check("", "3 files of raw captures were removed, as record 7 says: keep_captures_mb = 1")
	for i, ref := range refs {
		if _, err := s.Capture(ref); errors.Is(err, store.ErrRemoved) != (i < 4) {
			t.Errorf("capture %d: %v", i, err)
		}
	}
	if list := rounds(t, s, since); len(list) > 0 {
		t.Errorf("read over: %v", list)
	}
	copied := filepath.Join(t.TempDir(), "copy")
	if _, err := store.Backup(dir, copied, since, nil); err != nil {
		t.Error(err)
	}
	if r, err := store.Check(copied, store.CheckOptions{}); err != nil || len(r.Problems) > 0 {
		t.Errorf("a copy: %v, %v", r.Problems, err)
	}
	if err := os.Remove(filepath.Join(dir, "capture-00000005.seg")); err != nil {
		t.Fatal(err)
	}
	check("damaged damaged", "removed")
}
