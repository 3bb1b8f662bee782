package store_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// remembered are the files in which followers keep what they read of the last
// segment.
func remembered(t testing.TB, cache string) []string {
	t.Helper()
	list, err := filepath.Glob(filepath.Join(cache, "*", "tail.columns"))
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// What a follower remembers of the last segment is what it would read: while the
// station writes, in another process, over segments, and whatever becomes of the
// file.
func TestRememberedTail(t *testing.T) {
	dir, cache := create(t), t.TempDir()
	s := open(t, dir)
	old := follow(t, dir, cache)
	n := 0
	add := func(many int) {
		t.Helper()
		for range many {
			n++
			a := attempt(fmt.Sprintf("S%d", n), 1)
			if n%5 == 0 {
				a.Outcome, a.Judgement.Disposition = record.Failed, record.Hold
			}
			if _, err := s.Append(a); err != nil {
				t.Fatal(err)
			}
		}
	}
	same := func(when string) {
		t.Helper()
		for _, f := range []store.Filter{{}, {OnHold: true}} {
			want := serials(t, follow(t, dir, ""), f)
			for name, r := range map[string]*store.Follower{"one that runs": old, "a new one": follow(t, dir, cache)} {
				if got := serials(t, r, f); got != want {
					t.Errorf("%s, %s, %+v:\n%s\n%s", when, name, f, got, want)
				}
			}
		}
	}
	for range 4 {
		add(30)
		same("while it grows")
	}
	files := remembered(t, cache)
	if len(files) != 1 {
		t.Fatalf("%v is kept", files)
	}
	whole, err := os.ReadFile(files[0])
	if err != nil {
		t.Fatal(err)
	}
	for name, content := range map[string][]byte{"cut": whole[:len(whole)/2], "empty": nil, "changed": append([]byte("x"), whole[1:]...)} {
		if err := os.WriteFile(files[0], content, 0o600); err != nil {
			t.Fatal(err)
		}
		same("with a file that is " + name)
	}
	// The same store goes another way: what is remembered is of a record that is not
	// there any more.
	other := filepath.Join(t.TempDir(), "other")
	if err := os.CopyFS(other, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	add(70)
	same("before it goes another way")
	o := open(t, other)
	for i := range 70 {
		if _, err := o.Append(attempt(fmt.Sprintf("OTHER-%04d", i), 1)); err != nil {
			t.Fatal(err)
		}
	}
	if err := o.Close(); err != nil {
		t.Fatal(err)
	}
	if got, want := serials(t, follow(t, other, cache), store.Filter{}), serials(t, follow(t, other, ""), store.Filter{}); got != want {
		t.Errorf("the other way:\n%s\n%s", got, want)
	}
	// The segment is followed by others.
	for i := range 3 {
		large := note("N", "large")
		large.Signed = noise(uint64(i), 3<<20)
		if _, err := s.Append(large); err != nil {
			t.Fatal(err)
		}
		add(10)
		same("over segments")
	}
}
