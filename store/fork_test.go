package store_test

import (
	"errors"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// twinDisk is a station's folder on a disk: its store, what remembers it, the
// checkpoints beside it.
type twinDisk struct{ store, memory, notes string }

// works starts the station on a disk, makes n units and a checkpoint.
func (d twinDisk) works(t *testing.T, random byte, n int) {
	t.Helper()
	s, err := store.Open(d.store, store.Options{Now: clock(), Memory: d.memory})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Append(&record.Start{Random: record.Hash{random}, Clock: time.Unix(1, 0).UTC()}); err != nil {
		t.Fatal(err)
	}
	for i := range n {
		if _, err := s.Append(attempt("A"+strconv.Itoa(i), 1)); err != nil {
			t.Fatal(err)
		}
	}
	secret, _, err := store.StationKey(d.store)
	if err != nil {
		t.Fatal(err)
	}
	k := store.KeepCheckpoints(s, secret, []string{d.notes}, func(folder string, err error) {
		if err != nil {
			t.Error(folder, err)
		}
	})
	k.Wake()
	if err := errors.Join(k.Close(), s.Close()); err != nil {
		t.Fatal(err)
	}
}

func disk(t *testing.T) twinDisk {
	at := t.TempDir()
	return twinDisk{filepath.Join(at, "store"), filepath.Join(at, "memory"), filepath.Join(at, "checkpoints")}
}

// A disk is cloned with its memory, and both go on under one name with the very
// same work: each is whole by itself and agrees with its own memory. Whatever
// meets both says fork, and where.
func TestClonedDisk(t *testing.T) {
	a, b := disk(t), disk(t)
	if err := store.Create(a.store, store.Options{Station: "S1", Now: clock()}); err != nil {
		t.Fatal(err)
	}
	a.works(t, 1, 3)
	for from, to := range map[string]string{a.store: b.store, a.memory: b.memory} {
		lay(t, to, files(t, from))
	}
	a.works(t, 2, 4)
	b.works(t, 3, 6)
	const fork = 5 // after a start and three units
	for _, d := range []twinDisk{a, b} {
		r, err := store.Check(d.store, store.CheckOptions{Beside: store.Beside{Memory: []string{d.memory}, Checkpoints: []string{d.notes}}})
		if err != nil || len(r.Problems) > 0 {
			t.Fatalf("alone: %v, %v", r.Problems, err)
		}
	}
	known, copied := filepath.Join(t.TempDir(), "known"), filepath.Join(t.TempDir(), "copy")
	if err := store.Meet(a.store, known); err != nil {
		t.Fatal(err)
	}
	if _, err := store.Backup(a.store, copied, time.Unix(1, 0), nil); err != nil {
		t.Fatal(err)
	}
	for name, beside := range map[string]store.Beside{
		"memory":      {Memory: []string{a.memory}},
		"checkpoints": {Against: []string{a.notes}},
		"reader":      {Known: known},
		"store":       {Against: []string{filepath.Dir(a.store)}},
		"backup":      {Against: []string{copied}},
	} {
		r, err := store.Check(b.store, store.CheckOptions{Beside: beside})
		if err != nil || faults(r) != "forked" || r.Problems[0].Record != fork || !strings.Contains(r.Problems[0].What, "two logs go on under one name") {
			t.Errorf("%s: %v, %v", name, r.Problems, err)
		}
		if len(beside.Against) > 0 {
			continue
		}
		p, _, err := store.Ask(b.store, beside)
		if err != nil || p == nil || p.Fault != store.Forked || p.Record != fork {
			t.Errorf("%s, asked: %v, %v", name, p, err)
		}
	}
	if _, err := store.Open(b.store, store.Options{Memory: a.memory}); !errors.Is(err, store.ErrForked) || !errors.Is(err, store.ErrRolledBack) {
		t.Errorf("opened: %v", err)
	}
	// The shorter one meets the longer: no older copy of it.
	r, err := store.Check(a.store, store.CheckOptions{Beside: store.Beside{Memory: []string{b.memory}, Against: []string{b.notes}}})
	if err != nil || faults(r) != "forked forked" {
		t.Errorf("%v, %v", r.Problems, err)
	}
}

// What is rewritten within a run of the station is rewritten, and no fork.
func TestRewrittenIsNoFork(t *testing.T) {
	a, b := disk(t), disk(t)
	for i, d := range []twinDisk{a, b} {
		if err := store.Create(d.store, store.Options{Station: "S1", Now: clock(), Random: invented()}); err != nil {
			t.Fatal(err)
		}
		d.works(t, 1, 3+i)
	}
	r, err := store.Check(b.store, store.CheckOptions{Beside: store.Beside{Against: []string{a.store}}})
	if err != nil || len(r.Problems) > 0 || len(r.Witnesses) != 3 || r.Witnesses[2].Kind != "log" || !r.Witnesses[2].Agrees {
		t.Errorf("an older copy: %v, %v, %v", r.Problems, r.Witnesses, err)
	}
	rewriteAttempts(t, b, 5)
	r, err = store.Check(b.store, store.CheckOptions{Beside: store.Beside{Against: []string{a.store}, Memory: []string{a.memory}}})
	if err != nil || faults(r) != "rewritten rewritten" {
		t.Errorf("%v, %v", r.Problems, err)
	}
}

// rewriteAttempts makes the log anew with the same start and other units.
func rewriteAttempts(t *testing.T, d twinDisk, n int) {
	t.Helper()
	other := disk(t)
	if err := store.Create(other.store, store.Options{Station: "S1", Now: clock(), Random: invented()}); err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(other.store, store.Options{Now: clock()})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Append(&record.Start{Random: record.Hash{1}, Clock: time.Unix(1, 0).UTC()}); err != nil {
		t.Fatal(err)
	}
	for i := range n {
		if _, err := s.Append(attempt("B"+strconv.Itoa(i), 1)); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	lay(t, d.store, files(t, other.store))
}
