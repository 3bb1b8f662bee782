package store_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/fxamacker/cbor/v2"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store"
	"example.org/panecal/store/column"
	"example.org/panecal/store/record"
)

// firstStore returns a copy of the store that the first schema wrote.
func firstStore(t testing.TB) string {
	t.Helper()
	dir := filepath.Join(fastDir(t), "first")
	if err := os.CopyFS(dir, os.DirFS("../testdata/first-store/store")); err != nil {
		t.Fatal(err)
	}
	return dir
}

// The store of the first schema is read for ever: the same records, under the
// same hashes, and the captures they name.
func TestFirstStore(t *testing.T) {
	dir := firstStore(t)
	const records, captures, head = 38, 26, "369e4ea9360bcfd7a4b97e39f041c2f0aa5f85daac4451d79e3a5fcdf223c49c"
	r := check(t, dir)
	if len(r.Problems) > 0 || r.Records != records || r.Captures != captures || r.Head.Hash.String() != head {
		t.Fatalf("check: %+v", r)
	}
	f, err := store.Follow(dir, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	kinds := map[record.Kind]int{}
	read := 0
	err = f.Since(record.Ref{}, func(e record.Entry) error {
		kinds[e.Body.Kind()]++
		if e.Later || e.Version != 1 {
			t.Errorf("record %d: version %d, later %v", e.Ref.Sequence, e.Version, e.Later)
		}
		if a, ok := e.Body.(*record.Attempt); ok {
			for _, c := range a.Captures {
				if _, err := f.Capture(c); err != nil {
					t.Error(err)
				}
				read++
			}
		}
		return nil
	})
	want := map[record.Kind]int{record.KindAttemptIntent: 7, record.KindWriteIntent: 5, record.KindAttempt: 9, record.KindDispositionChange: 2,
		record.KindRefusal: 1, record.KindReleaseTaken: 5, record.KindSignOn: 8, record.KindNote: 1}
	if err != nil || fmt.Sprint(kinds) != fmt.Sprint(want) || read != captures {
		t.Errorf("%v, %d captures, %v", kinds, read, err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	// It goes on, too.
	s, err := store.Open(dir, store.Options{Station: "demo-1"})
	if err != nil {
		t.Fatal(err)
	}
	ref, err := s.Append(note("H54-00001-O", "still here"))
	if err != nil || ref.Sequence != records+1 {
		t.Errorf("%v, %v", ref, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if r := check(t, dir); len(r.Problems) > 0 || len(r.Notes) > 0 || r.Records != records+1 {
		t.Errorf("after it went on: %+v", r)
	}
}

// remake gives every record of the log in dir to change and writes the log
// anew, chained, as a later program would have.
func remake(t *testing.T, change func(e record.Entry, m map[uint64]any)) string {
	t.Helper()
	dir := create(t)
	s := open(t, dir)
	if len(everyKind()) != len(record.Kinds()) {
		t.Fatalf("%d bodies for %d kinds", len(everyKind()), len(record.Kinds()))
	}
	for _, b := range everyKind() {
		if _, err := s.Append(b); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := store.Follow(dir, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	mode, err := cbor.CoreDetEncOptions().EncMode()
	if err != nil {
		t.Fatal(err)
	}
	segment, err := os.ReadFile(filepath.Join(dir, "journal-00000002.seg"))
	if err != nil {
		t.Fatal(err)
	}
	out := segment[:frameEnd(t, segment, 8)]
	var previous record.Hash
	err = f.Since(record.Ref{}, func(e record.Entry) error {
		data, _, err := record.Encode(e)
		if err != nil {
			return err
		}
		m := map[uint64]any{}
		raw := map[uint64]cbor.RawMessage{}
		if err := cbor.Unmarshal(data, &raw); err != nil {
			return err
		}
		for k, v := range raw {
			m[k] = v
		}
		m[7] = previous
		change(e, m)
		if data, err = mode.Marshal(m); err != nil {
			return err
		}
		previous = record.HashOf(data)
		out = store.AppendFrame(out, data)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	// Only the plain segments: what is derived is this program's own.
	state := map[string][]byte{"journal-00000002.seg": out}
	first, err := os.ReadFile(filepath.Join(dir, "journal-00000001.seg"))
	if err != nil {
		t.Fatal(err)
	}
	state["journal-00000001.seg"] = first
	copied := filepath.Join(t.TempDir(), "later")
	lay(t, copied, state)
	return copied
}

func everyKind() []record.Body {
	a := attempt("A", 1)
	block := []byte{1, 2, 3}
	return []record.Body{
		&record.AttemptIntent{Run: a.Run}, &record.WriteIntent{Serial: "A", Body: block, BodyHash: record.HashOf(block)}, a,
		&record.DispositionChange{Serial: "A", To: record.Hold}, &record.Refusal{Serial: "A"}, &record.ReworkDone{Serial: "A"},
		&record.ReleaseTaken{}, &record.SignOn{}, &record.ShiftSettings{}, &record.Stop{Code: "x"}, &record.StopLifted{}, &record.Study{},
		note("A", "last"), &record.AccessRefused{Code: "x"},
		&record.Decision{Verb: "hold", Serial: "A", Reason: "x", By: "p2", Decided: time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)},
		&record.Start{Random: record.Hash{1}}, &record.LogDamage{What: "x"}, &record.CapturesRemoved{Segments: []uint32{1}},
		&record.BoxOpened{Number: "B1", Size: 2}, &record.Boxed{Serial: "A", Box: "B1"}, &record.Pause{Off: true}, &record.Relabelled{Serial: "A", To: "B", By: "p2", Why: "x"},
	}
}

// Fields and kinds that a later program writes are no damage to this one: a
// check tells of them in one note, and the rest of each record is read.
func TestLogOfALaterProgram(t *testing.T) {
	with99 := func(m map[uint64]any) {
		body := map[uint64]any{}
		var raw map[uint64]cbor.RawMessage
		if err := cbor.Unmarshal(m[8].(cbor.RawMessage), &raw); err != nil {
			t.Fatal(err)
		}
		for k, v := range raw {
			body[k] = v
		}
		body[99] = "more"
		m[8] = body
	}
	for name, change := range map[string]func(record.Entry, map[uint64]any){
		"a field 99 in every kind":                    func(_ record.Entry, m map[uint64]any) { with99(m) },
		"a field 99 in every kind of a later version": func(_ record.Entry, m map[uint64]any) { m[1] = 2; with99(m) },
		"a kind 99": func(e record.Entry, m map[uint64]any) {
			if e.Body.Kind() == record.KindStudy {
				m[2] = 99
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := remake(t, change)
			r, err := store.CheckOn(store.OSDisk(), dir, true)
			if err != nil {
				t.Fatal(err)
			}
			// The head file alone is missing in a copy of the segments.
			if len(r.Problems) != 1 || r.Problems[0].File != "head" || len(r.Notes) != 1 || !strings.Contains(r.Notes[0], "later program") || int(r.Records) != len(everyKind()) {
				t.Errorf("check: %+v", r)
			}
			f, err := store.Follow(dir, t.TempDir())
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			if list, err := f.BySerial("A"); err != nil || len(list) != 10 {
				t.Errorf("%s, %v", texts(list), err)
			}
		})
	}
}

// Derived files of a program with a column less are made anew: a note, and no
// damage. One that has more columns than this program knows is read.
func TestColumnsOfAnotherProgram(t *testing.T) {
	for _, c := range []struct {
		name  string
		other func(t *testing.T, b *column.Builder, name string)
		notes int
	}{
		{"a column less", func(t *testing.T, b *column.Builder, name string) {}, 1},
		{"a column more", func(t *testing.T, b *column.Builder, name string) {
			b.Floats(name, []float64{math.NaN(), math.NaN()}) // as it was
			b.Floats("of.later", make([]float64, 2))
		}, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := create(t)
			for range 2 {
				s := open(t, dir)
				for n := range 2 {
					if _, err := s.Append(attempt("B", n+1)); err != nil {
						t.Fatal(err)
					}
				}
				if err := s.Close(); err != nil {
					t.Fatal(err)
				}
			}
			path := filepath.Join(dir, "journal-00000002.columns")
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			const last = "signal.min_low3"
			other := store.CopyColumns(t, data, last, func(b *column.Builder) { c.other(t, b, last) })
			if err := os.WriteFile(path, other, 0o640); err != nil {
				t.Fatal(err)
			}
			if r := check(t, dir); len(r.Problems) > 0 || len(r.Notes) != c.notes || c.notes > 0 && !strings.Contains(r.Notes[0], "another version") {
				t.Errorf("problems %v, notes %v", r.Problems, r.Notes)
			}
			count := func(r interface {
				Attempts(store.Filter, []quantity.Name, func(*store.Row) error) error
			}) {
				t.Helper()
				n := 0
				if err := r.Attempts(store.Filter{}, store.AllQuantities(), func(*store.Row) error { n++; return nil }); err != nil || n != 4 {
					t.Errorf("%d rows, %v", n, err)
				}
			}
			f, err := store.Follow(dir, t.TempDir())
			if err != nil {
				t.Fatal(err)
			}
			count(f)
			if err := f.Close(); err != nil {
				t.Fatal(err)
			}
			s := open(t, dir)
			count(s)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			if r := check(t, dir); len(r.Problems) > 0 || len(r.Notes) > 0 {
				t.Errorf("made anew: problems %v, notes %v", r.Problems, r.Notes)
			}
		})
	}
}
