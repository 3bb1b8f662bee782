package store_test

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// manySegments makes a closed store whose attempts stand in three segments: each
// note is large enough for a segment to be followed by another.
func manySegments(t testing.TB) string {
	t.Helper()
	dir := create(t)
	s := openSmall(t, dir)
	for n := range 9 {
		a := attempt(fmt.Sprintf("S%d", n), 1+n%2)
		a.Run.WindowLot, a.Run.Nest, a.Run.Operator = fmt.Sprintf("win-%d", n%3), string(rune('A'+n%2)), "op-7"
		if n == 4 {
			a.Outcome, a.Judgement.SoftName, a.Judgement.Disposition = record.Failed, "dirty_window", record.Rework
		}
		large := note("N", "large")
		large.Signed = noise(uint64(n), 24<<10)
		for _, b := range []record.Body{a, large} {
			if _, err := s.Append(b); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

// noise cannot be packed.
func noise(seed uint64, n int) []byte {
	b := make([]byte, n)
	_, _ = rand.NewChaCha8([32]byte{9, byte(seed), byte(seed >> 8)}).Read(b) // it never fails
	return b
}

func serials(t testing.TB, r interface {
	Attempts(store.Filter, []quantity.Name, func(*store.Row) error) error
}, f store.Filter) string {
	t.Helper()
	var list []string
	if err := r.Attempts(f, store.AllQuantities(), func(row *store.Row) error { list = append(list, row.Serial); return nil }); err != nil {
		t.Fatal(err)
	}
	return strings.Join(list, " ")
}

func follow(t testing.TB, dir, cache string) *store.Follower {
	t.Helper()
	f, err := store.Follow(dir, cache)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

// A segment is followed by another at its size, and every attempt is there once.
func TestAttemptsOverSegments(t *testing.T) {
	dir := manySegments(t)
	const all = "S0 S1 S2 S3 S4 S5 S6 S7 S8"
	if r := check(t, dir); len(r.Problems) > 0 || len(r.Notes) > 0 || r.Segments != 4 {
		t.Errorf("check: %+v", r)
	}
	for n := 1; n < 4; n++ {
		if _, err := os.Stat(filepath.Join(dir, fmt.Sprintf("journal-%08d.columns", n))); err != nil {
			t.Error(err)
		}
	}
	if got := serials(t, follow(t, dir, t.TempDir()), store.Filter{}); got != all {
		t.Errorf("a reader: %s", got)
	}
	s := open(t, dir)
	if _, err := s.Append(attempt("last", 1)); err != nil {
		t.Fatal(err)
	}
	if got := serials(t, s, store.Filter{}); got != all+" last" {
		t.Errorf("the station: %s", got)
	}
}

func TestFilter(t *testing.T) {
	f := follow(t, manySegments(t), t.TempDir())
	var times []time.Time
	if err := f.Attempts(store.Filter{}, nil, func(r *store.Row) error { times = append(times, r.Time); return nil }); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		f    store.Filter
		want string
	}{
		{store.Filter{Serial: "S3"}, "S3"},
		{store.Filter{Product: "hopper-1"}, ""},
		{store.Filter{Lot: "L1", Nest: "B"}, "S1 S3 S5 S7"},
		{store.Filter{Lot: "win-2"}, "S2 S5 S8"},
		{store.Filter{Outcome: record.Failed}, "S4"},
		{store.Filter{Bin: "dirty_window", Operator: "op-7", Purpose: record.Production}, "S4"},
		{store.Filter{Operator: "op-8"}, ""},
		{store.Filter{Order: "x"}, ""},
		{store.Filter{Purpose: record.Audit}, ""},
		{store.Filter{First: true}, "S0 S2 S4 S6 S8"},
		{store.Filter{Since: times[6]}, "S6 S7 S8"},
		{store.Filter{Until: times[2]}, "S0 S1"},
		{store.Filter{Since: times[2], Until: times[4]}, "S2 S3"},
		{store.Filter{Since: times[8].Add(1)}, ""},
	} {
		if got := serials(t, f, c.f); got != c.want {
			t.Errorf("%+v: %s, want %s", c.f, got, c.want)
		}
	}
}

// Only what was asked for is read of the quantities, and it is what the record
// holds.
func TestQuantitiesOfRows(t *testing.T) {
	f := follow(t, manySegments(t), t.TempDir())
	rows := 0
	err := f.Attempts(store.Filter{}, []quantity.Name{quantity.LeakageMax, "of.later"}, func(r *store.Row) error {
		rows++
		for k := range 4 {
			high, ok := r.Quantities.High(quantity.LeakageMax, float64(k))
			if want := 0.02 + float64(k)*0.0015; !ok || high != want {
				t.Errorf("row %d, k %d: %v, want %v", rows, k, high, want)
			}
		}
		if v, ok := r.Quantities.High(quantity.OffsetMean, 0); ok && rows < 7 {
			t.Errorf("row %d: the offset %v was read", rows, v)
		}
		return nil
	})
	if err != nil || rows != 9 {
		t.Errorf("%d rows, %v", rows, err)
	}
	enough := errors.New("enough")
	if err := f.Attempts(store.Filter{}, nil, func(*store.Row) error { return enough }); err != enough {
		t.Errorf("it went on: %v", err)
	}
}

// Losing or damaging files of columns costs time only: a reader makes them anew
// for itself and leaves those of the station alone.
func TestColumnsAreMadeAnew(t *testing.T) {
	dir := manySegments(t)
	path := func(n int) string { return filepath.Join(dir, fmt.Sprintf("journal-%08d.columns", n)) }
	second := of(t, path(2))
	if err := os.Remove(path(2)); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(path(3))
	if err != nil {
		t.Fatal(err)
	}
	for name, bad := range map[string][]byte{
		"cut":       data[:len(data)/2],
		"empty":     {},
		"flipped":   flipped(data, len(data)-3),
		"directory": flipped(data, 40),
		"another's": second,
	} {
		t.Run(name, func(t *testing.T) {
			if err := os.WriteFile(path(3), bad, 0o640); err != nil {
				t.Fatal(err)
			}
			if r := check(t, dir); len(r.Problems) != 1 || r.Problems[0].File != "journal-00000003.columns" {
				t.Errorf("check: %v", r.Problems)
			}
			cache := t.TempDir()
			for range 2 { // the second from what the first has kept
				if got := serials(t, follow(t, dir, cache), store.Filter{}); got != "S0 S1 S2 S3 S4 S5 S6 S7 S8" {
					t.Errorf("read %s", got)
				}
			}
			kept, err := filepath.Glob(filepath.Join(cache, "*", "*.columns"))
			if err != nil || len(kept) != 2 {
				t.Errorf("a reader kept %v, %v", kept, err)
			}
			if got := of(t, path(3)); !bytes.Equal(got, bad) {
				t.Error("a reader wrote to the station's file")
			}
		})
	}
	s := open(t, dir)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if told, err := s.Remade(); !errors.Is(err, store.ErrClosed) {
		t.Errorf("%v, %v", told, err)
	}
	if !bytes.Equal(of(t, path(3)), data) {
		t.Error("the station's start did not mend its file")
	}
	if r := check(t, dir); len(r.Problems) > 0 || len(r.Notes) > 0 {
		t.Errorf("afterwards: %+v", r)
	}
}

func flipped(data []byte, at int) []byte {
	b := bytes.Clone(data)
	b[at] ^= 1
	return b
}

func of(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
