package store_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// faults of a report, in words.
func faults(r store.Report) string {
	var list []string
	for _, p := range r.Problems {
		list = append(list, string(p.Fault))
	}
	return strings.Join(list, " ")
}

// Whatever a verdict that was shown says is remembered outside the store, kill
// or no kill: no older copy of the store passes for the log.
func TestMemoryMovesWithEveryVerdict(t *testing.T) {
	dir, memory := create(t), filepath.Join(t.TempDir(), "memory")
	o := store.Options{Now: clock(), Memory: memory}
	s, err := store.Open(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	var before map[string][]byte
	for range 3 { // no close between them: the process may die at any point
		if err := s.Settle(); err != nil {
			t.Fatal(err)
		}
		before = files(t, dir)
		if _, err := s.Append(attempt("A", 1)); err != nil {
			t.Fatal(err)
		}
	}
	kept := files(t, memory)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	whole := files(t, dir)
	lay(t, memory, kept) // as it was when the last verdict was about to be shown
	lay(t, dir, before)
	beside := store.Beside{Memory: []string{memory}}
	look := func(dir, want, note string) {
		t.Helper()
		r, err := store.Check(dir, store.CheckOptions{Beside: beside})
		if err != nil || faults(r) != want || !strings.Contains(strings.Join(r.Notes, "; "), note) {
			t.Errorf("check: %q, %q, %v, want %q and %q", faults(r), r.Notes, err, want, note)
		}
		p, said, err := store.Ask(dir, beside)
		if err != nil || (p == nil) != (want == "") || p != nil && string(p.Fault) != want || !strings.Contains(said, note) {
			t.Errorf("asked: %v, %q, %v, want %q and %q", p, said, err, want, note)
		}
	}
	look(dir, "rolled_back", "")
	if _, err := store.Open(dir, o); !errors.Is(err, store.ErrRolledBack) {
		t.Errorf("one verdict missing: %v", err)
	}
	// The same files at another place are a copy, which may be older.
	elsewhere := filepath.Join(t.TempDir(), "copy")
	if err := os.Mkdir(elsewhere, 0o750); err != nil {
		t.Fatal(err)
	}
	lay(t, elsewhere, before)
	look(elsewhere, "", "older_copy")
	lay(t, dir, whole)
	look(dir, "", "")

	// Another log of the same length is not the one that is remembered.
	lay(t, dir, before)
	other, err := store.Open(dir, store.Options{Now: clock()})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := other.Append(attempt("B", 1)); err != nil {
		t.Fatal(err)
	}
	if err := other.Close(); err != nil {
		t.Fatal(err)
	}
	look(dir, "rewritten", "")

	// What is gone is missed here and nowhere else.
	lay(t, dir, whole)
	if err := os.RemoveAll(memory); err != nil {
		t.Fatal(err)
	}
	look(dir, "memory_missing", "")
	lay(t, elsewhere, whole)
	look(elsewhere, "", "")
	if _, err := store.Open(dir, o); !errors.Is(err, store.ErrMemoryMissing) {
		t.Errorf("without what was remembered: %v", err)
	}
}

// A memory that cannot be written lets the verdict be shown and keeps the next
// attempt from beginning, until it can.
func TestMemoryThatCannotBeWrittenStopsTheNextAttempt(t *testing.T) {
	dir, memory := create(t), filepath.Join(t.TempDir(), "memory")
	s, err := store.Open(dir, store.Options{Now: clock(), Memory: memory})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := os.RemoveAll(memory); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(memory, nil, 0o600); err != nil { // no folder can be made there
		t.Fatal(err)
	}
	if _, err := s.Append(attempt("A", 1)); err != nil {
		t.Errorf("the verdict in hand: %v", err)
	}
	intent := &record.AttemptIntent{Run: attempt("B", 1).Run}
	if _, err := s.Append(intent); !errors.Is(err, store.ErrMemory) || errors.Is(err, store.ErrUnknown) {
		t.Errorf("the next attempt: %v", err)
	}
	if _, err := s.Append(note("A", "still written")); err != nil {
		t.Error(err)
	}
	if err := os.Remove(memory); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Append(intent); err != nil {
		t.Errorf("with the memory back: %v", err)
	}
}

// syncs counts what a disk is made to wait for.
type syncs struct {
	store.Disk
	n *atomic.Int64
}

type syncedFile struct {
	store.File
	n *atomic.Int64
}

func (d syncs) SyncDir(dir string) error { d.n.Add(1); return d.Disk.SyncDir(dir) }
func (f syncedFile) Sync() error         { f.n.Add(1); return f.File.Sync() }

func (d syncs) wrap(f store.File, err error) (store.File, error) {
	if err != nil {
		return nil, err
	}
	return syncedFile{f, d.n}, nil
}

func (d syncs) Create(path string) (store.File, error) { return d.wrap(d.Disk.Create(path)) }
func (d syncs) Update(path string) (store.File, error) { return d.wrap(d.Disk.Update(path)) }
func (d syncs) Linked(path string, f store.File) error {
	return d.Disk.Linked(path, f.(syncedFile).File)
}

// What a verdict waits for between its last byte and the screen, in syncs: of
// the journal, of the memory's file and of its folder.
func BenchmarkVerdictSyncs(b *testing.B) {
	for name, memory := range map[string]bool{"without memory": false, "with memory": true} {
		b.Run(name, func(b *testing.B) {
			var n atomic.Int64
			o := store.Options{}
			if memory {
				o.Memory = filepath.Join(b.TempDir(), "memory")
			}
			s, err := store.Open(create(b), o.On(syncs{store.OSDisk(), &n}))
			if err != nil {
				b.Fatal(err)
			}
			defer s.Close()
			if _, err := s.Append(attempt("A", 1)); err != nil { // the first begins a segment
				b.Fatal(err)
			}
			total := int64(0)
			for b.Loop() {
				if err := s.Settle(); err != nil { // what is made aside is nobody's wait
					b.Fatal(err)
				}
				before := n.Load()
				if _, err := s.Append(attempt("A", 1)); err != nil {
					b.Fatal(err)
				}
				total += n.Load() - before
			}
			b.ReportMetric(float64(total)/float64(b.N), "syncs/op")
		})
	}
}
