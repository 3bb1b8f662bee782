package store_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
	"example.org/panecal/testdata/figures"
)

// stride is how many bits the damage tests go on after each flip: every bit
// with PANECAL_DAMAGE=full, else enough of them, all eight of a byte in turn.
func stride(normal int) int {
	if os.Getenv("PANECAL_DAMAGE") == "full" {
		return 1
	}
	return normal
}

// smallLog makes a closed store of two starts, with captures and a verdict.
func smallLog(t testing.TB) string {
	t.Helper()
	dir := create(t)
	for start := range 2 {
		s := open(t, dir)
		ref, err := s.AppendCapture(record.Capture{Name: "empty", Counts: record.Counts{1, 2, 3, uint32(start)}})
		if err != nil {
			t.Fatal(err)
		}
		a := attempt(fmt.Sprintf("B%d", start), 1)
		a.Captures = []record.CaptureRef{ref}
		for _, b := range []record.Body{note("A", "one"), a, note("A", "two"), note("C", "last")} {
			if _, err := s.Append(b); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func check(t testing.TB, dir string) store.Report {
	t.Helper()
	r, err := store.Check(dir, store.CheckOptions{Deep: true})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestCheckOfAWholeLogFindsNothing(t *testing.T) {
	dir := smallLog(t)
	r := check(t, dir)
	if len(r.Problems) > 0 || len(r.Notes) > 0 {
		t.Errorf("problems %v, notes %v", r.Problems, r.Notes)
	}
	if r.Records != 8 || r.Captures != 2 || r.Segments != 5 || r.Station != "pane-1" || r.Head.Sequence != 8 {
		t.Errorf("report %+v", r)
	}
	s := open(t, dir)
	if r = check(t, dir); len(r.Problems) > 0 || len(r.Notes) > 0 {
		t.Errorf("while it is held: %+v", r)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// Every flipped bit of every segment, of the head file, of the columns and of
// the index is found, by a check that makes all anew and by one that compares
// digests.
func TestEveryFlippedBitOfASegmentIsFound(t *testing.T) {
	dir := smallLog(t)
	m := load(t, dir)
	step := stride(509)
	sumTried, sumFound := 0, 0
	for path, f := range m.files {
		name := filepath.Base(path)
		if name == "lock" {
			continue
		}
		tried, found := 0, 0
		for i := 0; i < 8*len(f.data); i += step {
			f.data[i/8] ^= 1 << (i % 8)
			r, err := store.CheckOn(m, dir, i/8%2 == 0)
			f.data[i/8] ^= 1 << (i % 8)
			tried++
			if err != nil {
				t.Fatalf("%s bit %d: %v", name, i, err)
			}
			if len(r.Problems) > 0 {
				found++
			} else if tried-found < 5 {
				t.Errorf("%s bit %d missed; notes %v", name, i, r.Notes)
			}
		}
		t.Logf("%-22s tried %6d found %6d missed %d", name, tried, found, tried-found)
		sumTried, sumFound = sumTried+tried, sumFound+found
	}
	t.Logf("%-22s tried %6d found %6d missed %d (every bit: %v)", "all", sumTried, sumFound, sumTried-sumFound, step == 1)
	figures.Tell(t, "damage.segments.flips", sumTried, "bits", ">0", sumTried > 0)
	figures.Tell(t, "damage.segments.missed", sumTried-sumFound, "bits", "0", sumFound == sumTried)
}

// What is cut, missing, swapped or older is reported, and not opened.
func TestCutMissingAndOlderCopiesAreReported(t *testing.T) {
	journal2, index2 := "journal-00000002.seg", "journal-00000002.index"
	cases := map[string]struct {
		change func(t *testing.T, dir string)
		open   error // what Open says; nil: it mends what is derived
	}{
		"last segment missing":   {func(t *testing.T, dir string) { remove(t, dir, "journal-00000003.seg") }, store.ErrDamaged},
		"middle segment missing": {func(t *testing.T, dir string) { remove(t, dir, journal2) }, nil},
		"first segment missing":  {func(t *testing.T, dir string) { remove(t, dir, "journal-00000001.seg") }, store.ErrDamaged},
		"capture missing":        {func(t *testing.T, dir string) { remove(t, dir, "capture-00000002.seg") }, store.ErrDamaged},
		"head file missing":      {func(t *testing.T, dir string) { remove(t, dir, "head") }, store.ErrDamaged},
		"last segment cut":       {func(t *testing.T, dir string) { cut(t, dir, "journal-00000003.seg", 1) }, store.ErrDamaged},
		"middle segment cut":     {func(t *testing.T, dir string) { cut(t, dir, journal2, 1) }, nil},
		"index cut":              {func(t *testing.T, dir string) { cut(t, dir, index2, 5000) }, nil},
		"index empty":            {func(t *testing.T, dir string) { cut(t, dir, index2, 1<<20) }, nil},
		"index of another": {func(t *testing.T, dir string) {
			if err := os.Rename(filepath.Join(dir, "journal-00000003.index"), filepath.Join(dir, index2)); err != nil {
				t.Fatal(err)
			}
		}, nil},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			dir := smallLog(t)
			c.change(t, dir)
			r := check(t, dir)
			if len(r.Problems) == 0 {
				t.Errorf("nothing reported; notes %v", r.Notes)
			}
			s, err := store.Open(dir, store.Options{})
			if err == nil {
				defer s.Close()
			}
			if c.open != nil {
				if err == nil || !strings.Contains(err.Error(), "segment") && !strings.Contains(err.Error(), "head") && !strings.Contains(err.Error(), "cut") {
					t.Errorf("opened: %v", err)
				}
				return
			}
			if err != nil {
				t.Fatalf("not opened: %v", err)
			}
			list, err := s.BySerial("A")
			gone := errors.Is(err, store.ErrDamaged) && strings.HasPrefix(name, "middle segment")
			if !gone && (err != nil || texts(list) != "one two one two ") {
				t.Errorf("read %s, %v", texts(list), err)
			}
			n := 0
			if err := s.Attempts(store.Filter{}, store.AllQuantities(), func(*store.Row) error { n++; return nil }); !(errors.Is(err, store.ErrDamaged) && name == "middle segment missing") && (err != nil || n != 2) {
				t.Errorf("%d rows, %v", n, err)
			}
			if r := check(t, dir); name != "middle segment missing" && name != "middle segment cut" && len(r.Problems) > 0 {
				t.Errorf("afterwards: %v", r.Problems)
			}
		})
	}
}

func remove(t *testing.T, dir, name string) {
	t.Helper()
	if err := os.Remove(filepath.Join(dir, name)); err != nil {
		t.Fatal(err)
	}
}

func cut(t *testing.T, dir, name string, n int64) {
	t.Helper()
	path := filepath.Join(dir, name)
	i, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, max(0, i.Size()-n)); err != nil {
		t.Fatal(err)
	}
}
