package store_test

import (
	"bytes"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// A follower that has read a record which a power cut then took away follows
// the log as it went on.
func TestFollowerForgetsWhatTheLogForgot(t *testing.T) {
	dir := create(t)
	s := open(t, dir)
	if _, err := s.Append(note("A", "0")); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	before := files(t, dir)
	write := func(text string) {
		s := open(t, dir)
		if _, err := s.Append(note("A", text)); err != nil {
			t.Fatal(err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	write("lost")
	f, err := store.Follow(dir, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if list, err := f.BySerial("A"); err != nil || texts(list) != "0 lost " {
		t.Fatalf("%q, %v", texts(list), err)
	}
	lay(t, dir, before)
	write("other")
	write("more")
	if list, err := f.BySerial("A"); err != nil || texts(list) != "0 other more " {
		t.Errorf("%q, %v", texts(list), err)
	}
}

// A follower reads beside the writer: always a beginning of what is written,
// never less than before.
func TestFollowerWhileTheStationWrites(t *testing.T) {
	dir := create(t)
	s := open(t, dir)
	f, err := store.Follow(dir, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	const n = 60
	done := make(chan error, 1)
	go func() {
		for i := range n {
			if i == n/2 {
				// A half-written frame of a writer that fails comes from the
				// disk tests; here a segment changes.
				if _, err := s.AppendCapture(record.Capture{Name: "x"}); err != nil {
					done <- err
					return
				}
			}
			if _, err := s.Append(note("A", fmt.Sprint(i))); err != nil {
				done <- err
				return
			}
		}
		done <- nil
	}()
	seen, looks := 0, 0
	for finished := false; !finished; looks++ {
		select {
		case err := <-done:
			if err != nil {
				t.Fatal(err)
			}
			finished = true
		default:
		}
		list, err := f.BySerial("A")
		if err != nil {
			t.Fatal(err)
		}
		if len(list) < seen {
			t.Fatalf("%d records after %d", len(list), seen)
		}
		seen = len(list)
		for i, e := range list {
			if e.Body.(*record.Note).Text != fmt.Sprint(i) {
				t.Fatalf("record %d is %v", i, e.Body)
			}
		}
	}
	if seen != n {
		t.Errorf("%d of %d records at the end", seen, n)
	}
	t.Logf("%d looks", looks)
}

// A half-written last frame is waited for, not reported.
func TestFollowerWaitsForAHalfWrittenFrame(t *testing.T) {
	dir := create(t)
	s := open(t, dir)
	for i := range 2 {
		if _, err := s.Append(note("A", fmt.Sprint(i))); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	whole := files(t, dir)
	journal := whole["journal-00000002.seg"]
	first := int(frameEnd(t, journal, int(frameEnd(t, journal, 8))))
	copied := filepath.Join(t.TempDir(), "copy")
	state := map[string][]byte{}
	for name, b := range whole {
		if strings.HasSuffix(name, ".seg") { // a copy of the plain files alone
			state[name] = b
		}
	}
	cache := t.TempDir()
	for n := first; n <= len(journal); n += 13 {
		state["journal-00000002.seg"] = bytes.Clone(journal[:n])
		lay(t, copied, state)
		f, err := store.Follow(copied, cache)
		if err != nil {
			t.Fatalf("cut at %d: %v", n, err)
		}
		list, err := f.BySerial("A")
		if err != nil || len(list) != 1 && n < len(journal) {
			t.Fatalf("cut at %d: %q, %v", n, texts(list), err)
		}
		if tail, err := f.Behind(); err != nil || tail != int64(n-first) && n < len(journal) {
			t.Errorf("cut at %d: %d bytes behind, %v", n, tail, err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
