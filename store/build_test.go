package store_test

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// invented is a source of the same bytes each time.
func invented() *rand.ChaCha8 { return rand.NewChaCha8([32]byte{1}) }

// built makes a store of n attempts, larger than one segment where n is.
func built(t testing.TB, n int) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "store")
	at := time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)
	err := store.Build(dir, store.Options{Station: "S1", Now: func() time.Time { return at }, Random: invented()}.Small(), func(b *store.Builder) error {
		random := rand.New(invented())
		for i := range n {
			serial := fmt.Sprint("A", i)
			capture, err := b.AppendCapture(at, record.Capture{Name: "empty", Counts: record.Counts{1, uint32(i)}})
			if err != nil {
				return err
			}
			a := fullAttempt(serial)
			a.Captures = []record.CaptureRef{capture}
			zone := make([]float64, 54)
			for i := range zone {
				zone[i] = random.NormFloat64()
			}
			a.Zones.Leakage = zone
			a.Constants.Written = noise(uint64(i), 4_000)
			at = at.Add(time.Minute)
			ref, err := b.Append(at, a)
			if err != nil {
				return err
			}
			if i%50 == 0 {
				if _, err := b.Append(at.Add(time.Second), &record.DispositionChange{Attempt: &ref, Serial: serial, From: record.Release, To: record.Hold, By: "quality"}); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// A store that was built is a store: whole, with every derived file as the
// station makes it, and the same bytes each time. No station writes to it.
func TestBuild(t *testing.T) {
	const n = 150 // more than one segment
	dir := built(t, n)
	report, err := store.Check(dir, store.CheckOptions{Deep: true})
	if err != nil || len(report.Problems) > 0 || report.Segments < 4 || report.Captures != n || report.Records != n+n/50 || len(report.Notes) != 1 {
		t.Fatalf("%+v, %v", report, err)
	}
	again := built(t, n)
	same(t, dir, again)
	if _, err := store.Open(dir, store.Options{}); !errors.Is(err, store.ErrSimulated) {
		t.Errorf("opened for writing: %v", err)
	}
	if _, err := store.Continue(dir, filepath.Join(t.TempDir(), "next"), store.Options{}); !errors.Is(err, store.ErrSimulated) {
		t.Errorf("continued: %v", err)
	}
	f, err := store.Follow(dir, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, held := 0, 0
	err = f.Attempts(store.Filter{}, nil, func(r *store.Row) error {
		rows++
		if !r.Released {
			held++
		}
		return nil
	})
	if err != nil || rows != n || held < n/50 {
		t.Errorf("%d rows, %d not released, %v", rows, held, err)
	}
	list, err := f.BySerial("A77")
	if err != nil || len(list) != 1 || !list[0].Simulated || list[0].Later {
		t.Errorf("%+v, %v", list, err)
	}
	if _, err := f.Capture(list[0].Body.(*record.Attempt).Captures[0]); err != nil {
		t.Error(err)
	}
	// The files of columns are those that a reader makes of the segments.
	names, err := filepath.Glob(filepath.Join(dir, "*.columns"))
	if err != nil || len(names) == 0 {
		t.Fatal(names, err)
	}
	bare := t.TempDir()
	if err := os.CopyFS(filepath.Join(bare, "store"), os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		if err := os.Remove(filepath.Join(bare, "store", filepath.Base(name))); err != nil {
			t.Fatal(err)
		}
	}
	cache := filepath.Join(bare, "cache")
	g, err := store.Follow(filepath.Join(bare, "store"), cache)
	if err != nil {
		t.Fatal(err)
	}
	defer g.Close()
	if err := g.Attempts(store.Filter{}, nil, func(*store.Row) error { return nil }); err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		want, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		found := ""
		_ = filepath.WalkDir(cache, func(path string, _ os.DirEntry, _ error) error {
			if filepath.Base(path) == filepath.Base(name) {
				found = path
			}
			return nil
		})
		if got, err := os.ReadFile(found); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s is not what a reader makes of the segment: %v", name, err)
		}
	}
}

// What goes wrong, here or behind, leaves nothing.
func TestBuildThatFails(t *testing.T) {
	wrong := errors.New("enough")
	for name, fill := range map[string]func(*store.Builder) error{
		"the caller's error": func(*store.Builder) error { return wrong },
		"a panic":            func(*store.Builder) error { panic("enough") },
		"no record": func(b *store.Builder) error {
			_, err := b.Append(time.Now(), &record.DispositionChange{})
			return err
		},
	} {
		parent := t.TempDir()
		err := store.Build(filepath.Join(parent, "store"), store.Options{Station: "S1"}, fill)
		left, _ := os.ReadDir(parent)
		if err == nil || len(left) > 0 {
			t.Errorf("%s: %v, %v", name, err, left)
		}
	}
}

// same holds two folders against each other, byte for byte.
func same(t *testing.T, a, b string) {
	t.Helper()
	seen := 0
	for _, dir := range []string{a, b} {
		entries, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			x, err1 := os.ReadFile(filepath.Join(a, e.Name()))
			y, err2 := os.ReadFile(filepath.Join(b, e.Name()))
			if err := errors.Join(err1, err2); err != nil || !bytes.Equal(x, y) {
				t.Errorf("%s differs, %v", e.Name(), err)
			}
			seen++
		}
	}
	if seen < 10 {
		t.Errorf("%d files only", seen)
	}
}
