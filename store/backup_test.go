package store_test

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// A copy made while the station writes is whole, holds what was acknowledged
// when it was begun, and is read like the log itself.
func TestBackupWhileTheStationWrites(t *testing.T) {
	dir := create(t)
	s := open(t, dir)
	const rounds, records = 3, 15
	turns, done := make(chan struct{}, rounds*records), make(chan error, 1)
	first := make(chan record.Ref, rounds)
	go func() {
		n := 0
		for range turns {
			c, err := s.AppendCapture(record.Capture{Name: "empty", Counts: record.Counts{uint32(n)}})
			if err != nil {
				done <- err
				return
			}
			a := attempt("A", 1)
			a.Captures = []record.CaptureRef{c}
			ref, err := s.Append(a)
			if err != nil {
				done <- err
				return
			}
			if n%records == 0 {
				first <- ref
			}
			n++
		}
		done <- nil
	}()
	for n := range rounds {
		for range records {
			turns <- struct{}{}
		}
		before := <-first // the others are written while the copy is made
		into := filepath.Join(t.TempDir(), "copy")
		ref, err := store.Backup(dir, into, time.Now(), nil)
		if err != nil {
			t.Fatal(err)
		}
		if ref.Sequence < before.Sequence {
			t.Errorf("copy %d ends at %d, %d was acknowledged before", n, ref.Sequence, before.Sequence)
		}
		r := check(t, into)
		if len(r.Problems) > 0 || len(r.Notes) > 0 || r.Head != ref {
			t.Errorf("copy %d: %v, %v, head %v, want %v", n, r.Problems, r.Notes, r.Head, ref)
		}
		last, err := store.ReadLastBackup(dir)
		if err != nil || last.Sequence != ref.Sequence || last.Into != into {
			t.Errorf("noted %+v, %v", last, err)
		}
		f, err := store.Follow(into, t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		list, err := f.BySerial("A")
		if err != nil || len(list) != int(ref.Sequence) {
			t.Errorf("copy %d: %d records, %v", n, len(list), err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
	}
	close(turns)
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if r := check(t, dir); len(r.Problems) > 0 {
		t.Errorf("the log afterwards: %v", r.Problems)
	}
}

// A copy is not written to; the next generation goes on from it, with all of
// its records, and a copy of that is continued again.
func TestNextGenerationContinuesACopy(t *testing.T) {
	dir := smallLog(t)
	base := t.TempDir()
	want := uint64(8)
	for generation := uint32(2); generation < 4; generation++ {
		copied, next := filepath.Join(base, fmt.Sprint("copy", generation)), filepath.Join(base, fmt.Sprint("next", generation))
		if _, err := store.Backup(dir, copied, time.Now(), nil); err != nil {
			t.Fatal(err)
		}
		if _, err := store.Open(copied, store.Options{}); !errors.Is(err, store.ErrCopy) {
			t.Fatalf("a copy was opened: %v", err)
		}
		if _, err := store.Continue(copied, next, store.Options{Station: "other"}); err == nil {
			t.Fatal("continued as another station")
		}
		ref, err := store.Continue(copied, next, store.Options{Station: "pane-1", Now: clock()})
		if want++; err != nil || ref.Generation != generation || ref.Sequence != want {
			t.Fatalf("%v, %v", ref, err)
		}
		if _, err := store.Continue(copied, next, store.Options{}); !errors.Is(err, store.ErrExists) {
			t.Fatalf("continued twice: %v", err)
		}
		dir = next
		s := open(t, dir)
		head, err := s.Head()
		if err != nil || head != ref {
			t.Fatalf("head %v, %v", head, err)
		}
		mine, err := s.Append(note("A", fmt.Sprint("generation ", generation)))
		if want++; err != nil || mine.Generation != generation || mine.Sequence != want {
			t.Fatalf("%v, %v", mine, err)
		}
		if e, err := s.Get(mine); err != nil || e.Ref != mine {
			t.Fatalf("%v, %v", e.Ref, err)
		}
		n := uint64(0)
		if err := s.Since(record.Ref{}, func(record.Entry) error { n++; return nil }); err != nil || n != want {
			t.Fatalf("%d records, %v", n, err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if r := check(t, dir); len(r.Problems) > 0 || len(r.Notes) > 0 {
			t.Fatalf("%v, %v", r.Problems, r.Notes)
		}
	}
	found, err := store.FindRecords(dir)
	if err != nil || found.Whole.Sequence != want || len(found.Missing) > 0 {
		t.Errorf("found up to %v, missing %v, %v", found.Whole, found.Missing, err)
	}
	into := filepath.Join(base, "rebuilt")
	if _, err := store.Rebuild(dir, into); err != nil {
		t.Fatal(err)
	}
	if r := check(t, into); len(r.Problems) > 0 || r.Head.Generation != 3 {
		t.Errorf("rebuilt: %v, head %v", r.Problems, r.Head)
	}
}

// Copies that were cut or damaged are not continued, a log in use neither.
func TestCutCopiesAreNotContinued(t *testing.T) {
	whole := filepath.Join(t.TempDir(), "copy")
	if _, err := store.Backup(smallLog(t), whole, time.Now(), nil); err != nil {
		t.Fatal(err)
	}
	content := files(t, whole)
	work := filepath.Join(t.TempDir(), "work")
	for name, change := range map[string]func(map[string][]byte){
		"last segment cut":    func(m map[string][]byte) { cutTo(m, "journal-00000003.seg", -1) },
		"first segment cut":   func(m map[string][]byte) { cutTo(m, "journal-00000002.seg", -9) },
		"capture segment cut": func(m map[string][]byte) { cutTo(m, "capture-00000002.seg", -1) },
		"segment missing":     func(m map[string][]byte) { delete(m, "journal-00000003.seg") },
		"captures missing":    func(m map[string][]byte) { delete(m, "capture-00000001.seg") },
		"head missing":        func(m map[string][]byte) { delete(m, "head") },
		"bit flipped":         func(m map[string][]byte) { m["journal-00000002.seg"][700] ^= 4 },
	} {
		state := maps.Clone(content)
		for n, b := range state {
			state[n] = bytes.Clone(b)
		}
		change(state)
		lay(t, work, state)
		into := filepath.Join(t.TempDir(), "next")
		if _, err := store.Continue(work, into, store.Options{}); !errors.Is(err, store.ErrDamaged) {
			t.Errorf("%s: continued: %v", name, err)
		}
		if _, err := os.Stat(into); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s: something was made all the same: %v", name, err)
		}
		if _, err := store.Backup(work, into, time.Now(), nil); !errors.Is(err, store.ErrDamaged) {
			t.Errorf("%s: copied: %v", name, err)
		}
	}
	dir := smallLog(t)
	open(t, dir)
	if _, err := store.Continue(dir, filepath.Join(t.TempDir(), "next"), store.Options{}); !errors.Is(err, store.ErrHeld) {
		t.Errorf("a log in use was continued: %v", err)
	}
	if _, err := store.Rebuild(dir, filepath.Join(t.TempDir(), "next")); !errors.Is(err, store.ErrHeld) {
		t.Errorf("a log in use was rebuilt: %v", err)
	}
	if _, err := store.Backup(t.TempDir(), filepath.Join(t.TempDir(), "x"), time.Now(), nil); !errors.Is(err, store.ErrNoStore) {
		t.Errorf("no store: %v", err)
	}
}

func cutTo(m map[string][]byte, name string, n int) { m[name] = m[name][:len(m[name])+n] }

// An older copy of a whole store is in order by itself; the witness outside it
// knows better.
func TestOlderCopyOfAWholeStoreIsRefused(t *testing.T) {
	dir := create(t)
	o := store.Options{Now: clock(), Memory: filepath.Join(t.TempDir(), "state")}
	write := func(text string, n int) {
		t.Helper()
		s, err := store.Open(dir, o)
		if err != nil {
			t.Fatal(err)
		}
		for range n {
			if _, err := s.Append(note("A", text)); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	write("one", 2)
	older := files(t, dir)
	write("two", 40)
	newer := files(t, dir)
	lay(t, dir, older)
	if r := check(t, dir); faults(r) != "rolled_back" { // the head file names the memory
		t.Fatalf("the older copy: %v", r.Problems)
	}
	if _, err := store.Open(dir, o); !errors.Is(err, store.ErrDamaged) || !strings.Contains(err.Error(), "older copy") {
		t.Errorf("an older copy was opened: %v", err)
	}
	// Written to without the witness, it is another log.
	s := open(t, dir)
	for range 41 {
		if _, err := s.Append(note("A", "other")); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := store.Open(dir, o); !errors.Is(err, store.ErrDamaged) || !strings.Contains(err.Error(), "another copy") {
		t.Errorf("another log was opened: %v", err)
	}
	lay(t, dir, newer)
	write("three", 1)
	// The next generation is opened, and then the one before no more.
	next := filepath.Join(t.TempDir(), "next")
	if _, err := store.Continue(dir, next, store.Options{Now: clock()}); err != nil {
		t.Fatal(err)
	}
	dir, older = next, files(t, dir)
	write("four", 1)
	lay(t, dir, older)
	if _, err := store.Open(dir, o); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("the generation before was opened: %v", err)
	}
}

// roomy is a disk that says how much space is free.
type roomy struct {
	store.Disk
	free uint64
}

func (d *roomy) Free(string) (uint64, error) { return d.free, nil }

// Below the reserve no attempt begins, and what has begun is recorded.
func TestReserveIsKeptForResults(t *testing.T) {
	dir := create(t)
	d := &roomy{store.OSDisk(), 99}
	s, err := store.Open(dir, store.Options{Now: clock(), Reserve: 100}.On(d))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	intent := &record.AttemptIntent{Run: attempt("A", 1).Run}
	for free, want := range map[uint64]error{99: store.ErrFull, 0: store.ErrFull, 100: nil} {
		d.free = free
		if _, err := s.Append(intent); !errors.Is(err, want) || errors.Is(err, store.ErrUnknown) {
			t.Errorf("%d bytes free: %v, want %v", free, err, want)
		}
		if _, err := s.Append(attempt("A", 1)); err != nil {
			t.Errorf("%d bytes free: a result: %v", free, err)
		}
	}
	if free, err := store.OSDisk().Free(dir); err != nil || free == 0 {
		t.Errorf("free space: %d, %v", free, err)
	}
}

// Nothing that a store makes is open to everybody.
func TestModesOfFiles(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("Windows has no such modes")
	}
	base := t.TempDir()
	dir := filepath.Join(base, "deep", "log")
	if err := store.Create(dir, store.Options{Station: "pane-1"}); err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(dir, store.Options{Memory: filepath.Join(base, "witness")})
	if err != nil {
		t.Fatal(err)
	}
	c, err := s.AppendCapture(record.Capture{Name: "empty"})
	if err != nil {
		t.Fatal(err)
	}
	a := attempt("A", 1)
	a.Captures = []record.CaptureRef{c}
	if _, err := s.Append(a); err != nil {
		t.Fatal(err)
	}
	if _, err := store.Backup(dir, filepath.Join(base, "copy"), time.Now(), nil); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := store.Continue(filepath.Join(base, "copy"), filepath.Join(base, "next"), store.Options{}); err != nil {
		t.Fatal(err)
	}
	if _, err := store.Rebuild(dir, filepath.Join(base, "rebuilt")); err != nil {
		t.Fatal(err)
	}
	f, err := store.Follow(dir, filepath.Join(base, "cache"))
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	seen := 0
	err = filepath.WalkDir(base, func(path string, e fs.DirEntry, err error) error {
		if err != nil || path == base {
			return err
		}
		i, err := e.Info()
		if err != nil {
			return err
		}
		seen++
		want := fs.FileMode(0o640)
		if e.IsDir() {
			want = 0o750
		}
		if i.Mode().Perm()&^want != 0 || i.Mode().Perm()&0o600 != 0o600 {
			t.Errorf("%s has mode %v, want %v or less", path, i.Mode().Perm(), want)
		}
		return nil
	})
	if err != nil || seen < 25 {
		t.Errorf("%d files and folders seen, %v", seen, err)
	}
}
