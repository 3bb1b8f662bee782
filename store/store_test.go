package store_test

import (
	"errors"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// clock returns a clock that moves one second at each look.
func clock() func() time.Time {
	t := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	return func() time.Time { t = t.Add(time.Second); return t }
}

func create(t testing.TB) string {
	t.Helper()
	base := t.TempDir // benchmarks want the real disk
	if _, ok := t.(*testing.T); ok {
		base = func() string { return fastDir(t) }
	}
	dir := filepath.Join(base(), "log")
	if err := store.Create(dir, store.Options{Station: "pane-1", Now: clock()}); err != nil {
		t.Fatal(err)
	}
	return dir
}

func open(t testing.TB, dir string) *store.Store {
	t.Helper()
	return openWith(t, dir, store.Options{})
}

// openSmall opens a store whose segments are followed by others at 64 kB.
func openSmall(t testing.TB, dir string) *store.Store {
	t.Helper()
	return openWith(t, dir, store.Options{}.Small())
}

func openWith(t testing.TB, dir string, o store.Options) *store.Store {
	t.Helper()
	o.Now, o.Command = clock(), "panecal test"
	s, err := store.Open(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil && !errors.Is(err, store.ErrClosed) {
			t.Errorf("closing: %v", err)
		}
	})
	return s
}

func note(serial, text string) *record.Note {
	return &record.Note{Serial: serial, UnitID: "u-" + serial, By: "t", Text: text}
}

func attempt(serial string, no int) *record.Attempt {
	s := quantity.Set{}
	s.Put(quantity.OffsetMean, 1.25*float64(no), 0.2)
	s[quantity.LeakageMax] = quantity.Worst([]quantity.Value{{V: 0.01, U: 0.001}, {V: 0.02, U: 0.0015}})
	q, err := record.Quantities(s)
	if err != nil {
		panic(err)
	}
	return &record.Attempt{
		Run:        record.Run{Serial: serial, UnitID: "u-" + serial, Lot: "L1", Purpose: record.Production, AttemptNo: no, Product: record.Revision{Name: "hopper-54"}},
		Outcome:    record.Passed,
		Judgement:  record.Judgement{Passed: true, SoftBin: 1, HardBin: 1, Disposition: record.Release},
		Quantities: q,
	}
}

func texts(list []record.Entry) string {
	out := ""
	for _, e := range list {
		switch b := e.Body.(type) {
		case *record.Note:
			out += b.Text + " "
		default:
			out += fmt.Sprint(b.Kind(), " ")
		}
	}
	return out
}

func TestWhatIsAppendedIsRead(t *testing.T) {
	dir := create(t)
	s := open(t, dir)
	cache := t.TempDir()
	var refs []record.Ref
	for i := range 5 {
		ref, err := s.Append(note("A", fmt.Sprint(i)))
		if err != nil {
			t.Fatal(err)
		}
		refs = append(refs, ref)
		if _, err := s.Append(attempt("B", i+1)); err != nil {
			t.Fatal(err)
		}
	}
	c := record.Capture{Name: "empty", Counts: record.Counts{1, 2, 3}}
	cref, err := s.AppendCapture(c)
	if err != nil {
		t.Fatal(err)
	}
	f, err := store.Follow(dir, cache)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for name, r := range map[string]*store.Reader{"store": &s.Reader, "follower": &f.Reader} {
		t.Run(name, func(t *testing.T) {
			list, err := r.BySerial("A")
			if err != nil {
				t.Fatal(err)
			}
			if got := texts(list); got != "0 1 2 3 4 " {
				t.Errorf("serial A: %s", got)
			}
			if list, err = r.ByUnitID("u-B"); err != nil || len(list) != 5 {
				t.Errorf("unit B: %d, %v", len(list), err)
			}
			if list, err = r.ByLot("L1"); err != nil || len(list) != 5 {
				t.Errorf("lot: %d, %v", len(list), err)
			}
			if list, err = r.BySerial("none"); err != nil || len(list) != 0 {
				t.Errorf("unknown serial: %d, %v", len(list), err)
			}
			e, err := r.Get(refs[2])
			if err != nil || e.Ref != refs[2] {
				t.Errorf("get: %v, %v", e.Ref, err)
			}
			head, err := r.Head()
			if err != nil || head.Sequence != 10 {
				t.Errorf("head: %v, %v", head, err)
			}
			n := 0
			if err := r.Since(record.Ref{}, func(record.Entry) error { n++; return nil }); err != nil || n != 10 {
				t.Errorf("since: %d, %v", n, err)
			}
			n = 0
			if err := r.Attempts(store.Filter{}, store.AllQuantities(), func(row *store.Row) error {
				n++
				if v, ok := row.Quantities.High(quantity.OffsetMean, 0); !ok || v != 1.25*float64(n) || row.AttemptNo != n || row.Product != "hopper-54" || row.Outcome != record.Passed {
					t.Errorf("row %d: %+v", n, row)
				}
				return nil
			}); err != nil || n != 5 {
				t.Errorf("rows: %d, %v", n, err)
			}
			got, err := r.Capture(cref)
			if err != nil || len(got.Counts) != 3 {
				t.Errorf("capture: %v, %v", got, err)
			}
		})
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	if _, err := s.Append(note("A", "5")); err != nil {
		t.Fatal(err)
	}
	for name, r := range map[string]*store.Reader{"store": &s.Reader, "follower": &f.Reader} {
		list, err := r.BySerial("A")
		if err != nil || texts(list) != "0 1 2 3 4 5 " {
			t.Errorf("%s after reopening: %s, %v", name, texts(list), err)
		}
	}
}

func TestSecondWriterIsToldWhoHoldsTheStore(t *testing.T) {
	dir := create(t)
	s := open(t, dir)
	_, err := store.Open(dir, store.Options{})
	var held *store.HeldError
	if !errors.As(err, &held) || !errors.Is(err, store.ErrHeld) {
		t.Fatalf("got %v", err)
	}
	if held.Holder.Command != "panecal test" || held.Holder.PID == 0 {
		t.Errorf("holder %+v", held.Holder)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	open(t, dir)
}

func TestCreateRefusesWhatExists(t *testing.T) {
	dir := create(t)
	if err := store.Create(dir, store.Options{Station: "x"}); !errors.Is(err, store.ErrExists) {
		t.Errorf("got %v", err)
	}
	if _, err := store.Open(t.TempDir(), store.Options{}); !errors.Is(err, store.ErrNoStore) {
		t.Errorf("no store: %v", err)
	}
	if _, err := store.Follow(filepath.Join(dir, "none"), t.TempDir()); !errors.Is(err, store.ErrNoStore) {
		t.Errorf("no store to follow: %v", err)
	}
	if _, err := store.Open(dir, store.Options{Station: "other"}); err == nil {
		t.Error("opened as another station")
	}
}
