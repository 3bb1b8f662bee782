package store_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"example.org/panecal/store"
)

// manyStarts makes a store of 20 starts, each of which begins a segment, with two
// attempts each.
func manyStarts(t *testing.T) string {
	t.Helper()
	dir := create(t)
	for n := range 20 {
		s := open(t, dir)
		for i := range 2 {
			if _, err := s.Append(attempt(fmt.Sprintf("S%02d", 2*n+i), 1)); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// stretched asks for serials and numbers in stretches; what is kept of one is its
// serials.
func stretched(t *testing.T, r *store.Follower, f store.Filter, version int) (serials string, made, kept int) {
	t.Helper()
	k := store.Kept{Name: "serials", Version: version, Making: func(part, parts int) { made++ }, Make: func(s *store.Stretch) ([]byte, error) {
		list, err := s.Texts("serial", nil)
		return []byte(strings.Join(list, " ")), err
	}}
	var all []string
	err := r.Stretches(f, k, func(s *store.Stretch) (func() error, error) {
		list, err := s.Texts("serial", nil)
		if err != nil {
			return nil, err
		}
		sequence, err := s.Ints("sequence", make([]int64, 1))
		if err != nil {
			return nil, err
		}
		v, err := s.Floats("leakage.max", nil)
		if err != nil {
			return nil, err
		}
		if len(list) != s.Rows() || len(sequence) != s.Rows() || len(v) != s.Rows() {
			t.Errorf("%d attempts, %d serials, %d sequences, %d values", s.Rows(), len(list), len(sequence), len(v))
		}
		return func() error {
			if text := strings.Join(list, " "); s.Kept() != nil {
				kept++
				if string(s.Kept()) != text {
					t.Errorf("kept %q of %q", s.Kept(), text)
				}
			}
			all = append(all, list...)
			return nil
		}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return strings.Join(all, " "), made, kept
}

func TestStretches(t *testing.T) {
	dir, cache := manyStarts(t), t.TempDir()
	r := follow(t, dir, cache)
	want := serials(t, r, store.Filter{})
	ask := func(what string, wantMade int) {
		t.Helper()
		got, made, kept := stretched(t, follow(t, dir, cache), store.Filter{}, 1)
		if got != want || made != wantMade || kept != 2 {
			t.Errorf("%s: %d made, %d kept, attempts\n%s, want\n%s", what, made, kept, got, want)
		}
	}
	ask("the first time", 2)
	ask("another time", 0)
	files, err := filepath.Glob(filepath.Join(cache, "*", "*.serials"))
	if err != nil || len(files) != 2 {
		t.Fatalf("%q, %v", files, err)
	}
	if names, _ := filepath.Glob(filepath.Join(dir, "*.serials")); len(names) > 0 {
		t.Errorf("%q beside the log", names)
	}
	data, err := os.ReadFile(files[0])
	if err != nil {
		t.Fatal(err)
	}
	for _, at := range []int{0, 9, 30, len(data) - 1} {
		bad := append([]byte{}, data...)
		bad[at] ^= 4
		if err := os.WriteFile(files[0], bad, 0o600); err != nil {
			t.Fatal(err)
		}
		ask(fmt.Sprintf("damaged at %d", at), 1)
		if err := os.WriteFile(files[0], data[:at], 0o600); err != nil {
			t.Fatal(err)
		}
		ask(fmt.Sprintf("cut at %d", at), 1)
	}
	if got, made, _ := stretched(t, follow(t, dir, cache), store.Filter{}, 2); got != want || made != 2 {
		t.Errorf("another version: %d made", made)
	}
	// One log's are nothing to another.
	if err := os.Rename(files[0], files[1]); err != nil {
		t.Fatal(err)
	}
	if got, made, _ := stretched(t, follow(t, dir, cache), store.Filter{}, 2); got != want || made != 2 {
		t.Errorf("of another stretch: %d made, %s", made, got)
	}
	if got, made, kept := stretched(t, follow(t, dir, ""), store.Filter{}, 2); got != want || made != 0 || kept != 0 {
		t.Errorf("without a cache: %d made, %d kept, %s", made, kept, got)
	}
	if got, made, _ := stretched(t, follow(t, dir, t.TempDir()), store.Filter{Until: time.Unix(0, 0)}, 1); got != "S38 S39" || made != 0 {
		t.Errorf("of no time, but for what stands in the last segment: %d made, %q", made, got)
	}
}

// A file of columns that turns out to be damaged is made of the records, also where
// only some columns of it are.
func TestStretchesOverDamagedColumns(t *testing.T) {
	dir := manyStarts(t)
	want := serials(t, follow(t, dir, t.TempDir()), store.Filter{})
	name := filepath.Join(dir, "journal-00000003.columns")
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	for _, at := range []int{len(data) - 1, len(data) / 2, 3} {
		bad := append([]byte{}, data...)
		bad[at] ^= 1
		if err := os.WriteFile(name, bad, 0o600); err != nil {
			t.Fatal(err)
		}
		if got, _, kept := stretched(t, follow(t, dir, t.TempDir()), store.Filter{}, 1); got != want || kept != 2 {
			t.Errorf("damaged at %d: %s, want %s", at, got, want)
		}
	}
}

// A missing segment is told, also where what is kept would answer.
func TestStretchesOverAMissingSegment(t *testing.T) {
	dir, cache := manyStarts(t), t.TempDir()
	r := follow(t, dir, cache)
	stretched(t, r, store.Filter{}, 1)
	if err := os.Remove(filepath.Join(dir, "journal-00000003.seg")); err != nil {
		t.Fatal(err)
	}
	err := r.Stretches(store.Filter{}, store.Kept{}, func(*store.Stretch) (func() error, error) { return nil, nil })
	if !errors.Is(err, store.ErrDamaged) {
		t.Errorf("%v", err)
	}
}

// What goes wrong, in a call or when its turn has come, ends it, and no file stays
// open.
func TestStretchesThatFail(t *testing.T) {
	r := follow(t, manyStarts(t), t.TempDir())
	bad := errors.New("bad")
	before := openFiles(t)
	for _, each := range []func(*store.Stretch) (func() error, error){
		func(*store.Stretch) (func() error, error) { return nil, bad },
		func(s *store.Stretch) (func() error, error) {
			_, err := s.Texts("nest", nil)
			return func() error { return bad }, err
		},
	} {
		if err := r.Stretches(store.Filter{}, store.Kept{}, each); !errors.Is(err, bad) {
			t.Errorf("%v", err)
		}
	}
	if after := openFiles(t); after > before {
		t.Errorf("%d files are open, %d before", after, before)
	}
	if err := r.Stretches(store.Filter{}, store.Kept{}, func(*store.Stretch) (func() error, error) { panic("bad") }); err == nil {
		t.Error("a panic went by")
	}
}

func openFiles(t *testing.T) int {
	t.Helper()
	if runtime.GOOS != "linux" {
		return 0
	}
	list, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(list)
}
