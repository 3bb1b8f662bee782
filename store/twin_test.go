package store_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// The store and a follower of it answer as a plain list in memory does,
// whatever is done in whatever order. A failure prints its seed.
func TestStoreIsLikeAListInMemory(t *testing.T) {
	// A run syncs hundreds of times: few of them unless more are asked for.
	asked := false
	flag.Visit(func(f *flag.Flag) { asked = asked || f.Name == "rapid.checks" })
	if !asked {
		if err := flag.Set("rapid.checks", "4"); err != nil {
			t.Fatal(err)
		}
	}
	base := fastDir(t)
	runs := 0
	rapid.Check(t, func(t *rapid.T) {
		runs++
		dir := filepath.Join(base, fmt.Sprint(runs))
		cache := filepath.Join(base, fmt.Sprint("cache", runs))
		defer os.RemoveAll(dir)
		defer os.RemoveAll(cache)
		now := clock()
		must := func(err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
		}
		must(store.Create(dir, store.Options{Station: "pane-1", Now: now}))
		s, err := store.Open(dir, store.Options{Now: now})
		must(err)
		f, err := store.Follow(dir, cache)
		must(err)
		defer f.Close()
		var twin []record.Entry // as appended
		captures := map[record.CaptureRef]uint32{}
		serial := rapid.SampledFrom([]string{"A", "AB", "A\x00", "\x00", "B", "long" + string(make([]byte, 300)), "long" + string(make([]byte, 301))})
		add := func(t *rapid.T, b record.Body) {
			ref, err := s.Append(b)
			must(err)
			twin = append(twin, record.Entry{Ref: ref, Body: b})
		}
		same := func(what string, list []record.Entry, match func(record.Subject) bool) {
			t.Helper()
			i := 0
			for _, e := range twin {
				if !match(e.Body.Subject()) {
					continue
				}
				if i >= len(list) || list[i].Ref != e.Ref {
					t.Fatalf("%s: %d records, place %d is not %v", what, len(list), i, e.Ref)
				}
				i++
			}
			if i != len(list) {
				t.Fatalf("%s: %d records, want %d", what, len(list), i)
			}
		}
		ask := func(t *rapid.T) {
			for name, r := range map[string]*store.Reader{"store": &s.Reader, "follower": &f.Reader} {
				q := serial.Draw(t, "asked")
				list, err := r.BySerial(q)
				must(err)
				same(name+" by serial", list, func(s record.Subject) bool { return s.Serial == q })
				list, err = r.ByUnitID("u-" + q)
				must(err)
				same(name+" by unit", list, func(s record.Subject) bool { return s.UnitID == "u-"+q })
				list = nil
				must(r.Since(record.Ref{}, func(e record.Entry) error { list = append(list, e); return nil }))
				same(name+" since", list, func(record.Subject) bool { return true })
				rows, attempts := 0, 0
				must(r.Attempts(store.Filter{}, store.AllQuantities(), func(*store.Row) error { rows++; return nil }))
				for _, e := range twin {
					if e.Body.Kind() == record.KindAttempt {
						attempts++
					}
					if got, err := r.Get(e.Ref); err != nil || got.Ref != e.Ref {
						t.Fatalf("%s: %v, %v", name, got.Ref, err)
					}
				}
				if rows != attempts {
					t.Fatalf("%s: %d rows of %d attempts", name, rows, attempts)
				}
				for ref, n := range captures {
					if c, err := r.Capture(ref); err != nil || c.Counts[0] != n {
						t.Fatalf("%s: capture %v, %v", name, c, err)
					}
				}
			}
		}
		t.Repeat(map[string]func(*rapid.T){
			"note": func(t *rapid.T) { add(t, note(serial.Draw(t, "serial"), rapid.StringN(0, 20, 60).Draw(t, "text"))) },
			"attempt": func(t *rapid.T) {
				add(t, attempt(serial.Draw(t, "serial"), rapid.IntRange(1, 9).Draw(t, "no")))
			},
			"capture": func(t *rapid.T) {
				n := rapid.Uint32().Draw(t, "count")
				ref, err := s.AppendCapture(record.Capture{Name: "empty", Counts: record.Counts{n}})
				must(err)
				captures[ref] = n
			},
			"reopen": func(t *rapid.T) {
				must(s.Close())
				s, err = store.Open(dir, store.Options{Now: now})
				must(err)
			},
			"lose what is derived": func(t *rapid.T) {
				must(s.Close())
				names, err := filepath.Glob(filepath.Join(dir, "*"))
				must(err)
				for _, n := range names {
					if (strings.HasSuffix(n, ".index") || strings.HasSuffix(n, ".columns")) && rapid.Bool().Draw(t, "lost") {
						must(os.Remove(n))
					}
				}
				s, err = store.Open(dir, store.Options{Now: now})
				must(err)
			},
			"ask": ask,
		})
		ask(t)
		must(s.Close())
		r, err := store.Check(dir, store.CheckOptions{Deep: true})
		must(err)
		if len(r.Problems) > 0 || int(r.Records) != len(twin) || int(r.Captures) != len(captures) {
			t.Fatalf("check: %+v", r)
		}
	})
	t.Logf("%d runs", runs)
}
