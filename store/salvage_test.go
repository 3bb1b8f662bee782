package store_test

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
	"example.org/panecal/testdata/figures"
)

// patient is a log to be damaged, with what is known of it.
type patient struct {
	dir    string
	older  map[string][]byte // its files at an earlier time
	files  map[string][]byte // and now
	data   map[record.Hash][]byte
	refs   []record.Ref
	caps   []record.CaptureRef
	serial map[string]string // texts of what BySerial gives
}

// newPatient makes a log of three starts; older is after the second.
func newPatient(t testing.TB) *patient {
	t.Helper()
	p := &patient{dir: filepath.Join(fastDir(t), "log"), data: map[record.Hash][]byte{}, serial: map[string]string{}}
	if err := store.Create(p.dir, store.Options{Station: "pane-1", Now: clock()}); err != nil {
		t.Fatal(err)
	}
	for start := range 3 {
		if start == 2 {
			p.older = files(t, p.dir)
		}
		s := open(t, p.dir)
		for i := range 2 {
			c, err := s.AppendCapture(record.Capture{Name: "empty", Counts: record.Counts{1, 2, uint32(start), uint32(i)}})
			if err != nil {
				t.Fatal(err)
			}
			p.caps = append(p.caps, c)
			a := fullAttempt(fmt.Sprintf("B%d", start))
			a.Captures = []record.CaptureRef{c}
			for _, b := range []record.Body{note("A", fmt.Sprint(start, i)), a} {
				if _, err := s.Append(b); err != nil {
					t.Fatal(err)
				}
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	p.files = files(t, p.dir)
	s, err := store.FindRecords(p.dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range s.Records {
		if !r.Proven || !r.Segments {
			t.Fatalf("record %v of a whole log: %+v", r.Entry.Ref, r)
		}
		p.data[r.Entry.Ref.Hash] = r.Data()
		p.refs = append(p.refs, r.Entry.Ref)
	}
	if len(p.refs) != 12 || len(s.Missing) > 0 || s.Whole.Sequence != 12 {
		t.Fatalf("%d records, missing %v, whole up to %v", len(p.refs), s.Missing, s.Whole)
	}
	return p
}

// kinds are what can happen to a file. They return the same bytes if they
// have met nothing that they could change.
var kinds = []struct {
	name string
	do   func(rng *rand.Rand, b, older []byte) []byte
}{
	{"bit", func(rng *rand.Rand, b, _ []byte) []byte { b[rng.IntN(len(b))] ^= 1 << rng.IntN(8); return b }},
	{"sector zeroed", func(rng *rand.Rand, b, _ []byte) []byte { clear(block(rng, b, 512)); return b }},
	{"sector of rubbish", func(rng *rand.Rand, b, _ []byte) []byte {
		for i := range block(rng, b, 512) {
			b[i] = byte(rng.Uint32())
		}
		return b
	}},
	{"page zeroed", func(rng *rand.Rand, b, _ []byte) []byte { clear(block(rng, b, 4096)); return b }},
	{"sectors swapped", func(rng *rand.Rand, b, _ []byte) []byte { return swap(rng, b, 512) }},
	{"pages swapped", func(rng *rand.Rand, b, _ []byte) []byte { return swap(rng, b, 4096) }},
	{"cut", func(rng *rand.Rand, b, _ []byte) []byte { return b[:rng.IntN(len(b))] }},
	{"older copy", func(_ *rand.Rand, _, older []byte) []byte { return older }},
	{"deleted", func(*rand.Rand, []byte, []byte) []byte { return nil }},
}

func block(rng *rand.Rand, b []byte, size int) []byte {
	at := rng.IntN((len(b)+size-1)/size) * size
	return b[at:min(at+size, len(b))]
}

func swap(rng *rand.Rand, b []byte, size int) []byte {
	one, two := block(rng, b, size), block(rng, b, size)
	for i := range min(len(one), len(two)) {
		one[i], two[i] = two[i], one[i]
	}
	return b
}

// damage returns the files with something wrong, and what.
func (p *patient) damage(rng *rand.Rand) (map[string][]byte, string) {
	files := maps.Clone(p.files)
	names := slices.DeleteFunc(slices.Sorted(maps.Keys(files)), func(n string) bool { return n == "lock" })
	what := ""
	hit := func(name string) {
		for {
			k := kinds[rng.IntN(len(kinds))]
			b := k.do(rng, bytes.Clone(p.files[name]), p.older[name])
			if bytes.Equal(b, p.files[name]) {
				continue
			}
			if files[name] = b; b == nil {
				delete(files, name)
			}
			what += fmt.Sprintf("%s: %s; ", name, k.name)
			return
		}
	}
	name := names[rng.IntN(len(names))]
	if rng.IntN(3) == 0 { // what answers come from
		name = fmt.Sprintf("journal-%08d.index", 2+rng.IntN(3))
	}
	hit(name)
	if strings.HasSuffix(name, ".index") && rng.IntN(2) == 0 {
		hit(fmt.Sprintf("journal-%08d.seg", 2+rng.IntN(3)))
	}
	return files, what
}

// within fails the test if fn takes longer than damage may hold a program up.
func within(t *testing.T, what string, fn func()) {
	t.Helper()
	done := make(chan struct{})
	go func() { defer close(done); fn() }()
	select {
	case <-done:
	case <-time.After(30 * time.Second): // a busy machine is slow, a hang is for ever
		t.Fatalf("%s: it hangs", what)
	}
}

// Every damage that changes what a reader gets is reported, whatever is done
// to whichever file; looking never hangs; and every record whose bytes stand
// whole in segments or database is found. PANECAL_DAMAGE=full tries 10,000.
func TestDamageIsReportedAndWhatIsLeftIsFound(t *testing.T) {
	tries, seed := 80, uint64(5)
	if os.Getenv("PANECAL_DAMAGE") == "full" {
		tries = 10_000
	}
	p := newPatient(t)
	rng := rand.New(rand.NewPCG(seed, 0))
	reported, harmless, opened, rebuilt, found := 0, 0, 0, 0, 0
	for i := range tries {
		state, what := p.damage(rng)
		paths := map[string][]byte{}
		for name, b := range state {
			paths[filepath.Join(p.dir, name)] = b
		}
		d := onMemory(paths)
		d.real = nil
		within(t, what, func() {
			r, err := store.CheckOn(d, p.dir, true)
			switch {
			case err != nil && !errors.Is(err, store.ErrNoStore):
				t.Errorf("try %d, %s: check: %v", i, what, err)
			case err != nil || len(r.Problems) > 0:
				reported++
				if i%10 != 0 {
					break
				}
				opened++
				// Opened all the same, it says what it cannot answer.
				lay(t, p.dir, state)
				if err := p.asBefore(); errors.Is(err, errWrong) {
					t.Errorf("try %d, %s: %v", i, what, err)
				}
			default:
				harmless++
				lay(t, p.dir, state)
				if err := p.asBefore(); err != nil {
					t.Errorf("try %d, %s: nothing reported, notes %v: %v", i, what, r.Notes, err)
				}
			}
			s, err := store.FindRecordsOn(d, p.dir)
			if err != nil {
				t.Errorf("try %d, %s: looking for records: %v", i, what, err)
				return
			}
			found += p.left(t, what, state, s)
			if i%20 == 0 {
				rebuilt += p.rebuild(t, what, state, s)
			}
		})
	}
	t.Logf("damages: %d tried, seed %d: %d reported, %d changed no answer, 0 silent, 0 hangs; %d of them opened, %d stores rebuilt; %d records found of the damaged logs",
		tries, seed, reported, harmless, opened, rebuilt, found)
	figures.Tell(t, "damage.larger", tries, "damages", fmt.Sprintf(">=%d", tries), reported+harmless == tries)
	if reported == 0 || harmless == 0 || rebuilt == 0 {
		t.Error("the test met nothing to report, to rebuild, or nothing harmless")
	}
}

// errWrong is an answer that is not the one of before, and says so to nobody.
var errWrong = errors.New("wrong")

// asBefore opens the store and says how its answers differ from those of
// before the damage.
func (p *patient) asBefore() error {
	s, err := store.Open(p.dir, store.Options{Now: clock()})
	if err != nil {
		return err
	}
	i, rows := 0, 0
	err = s.Since(record.Ref{}, func(e record.Entry) error {
		if i >= len(p.refs) || e.Ref != p.refs[i] {
			return fmt.Errorf("%w: record %v at place %d", errWrong, e.Ref, i)
		}
		i++
		return nil
	})
	if err == nil && i != len(p.refs) {
		err = fmt.Errorf("%w: %d records", errWrong, i)
	}
	list, aerr := s.BySerial("A")
	if aerr == nil && len(list) != 6 {
		aerr = fmt.Errorf("%w: %d records of a serial", errWrong, len(list))
	}
	rerr := s.Attempts(store.Filter{}, store.AllQuantities(), func(*store.Row) error { rows++; return nil })
	if rerr == nil && rows != 6 {
		rerr = fmt.Errorf("%w: %d rows", errWrong, rows)
	}
	var cerr error
	for _, c := range p.caps {
		_, e := s.Capture(c)
		cerr = errors.Join(cerr, e)
	}
	return errors.Join(err, aerr, rerr, cerr, s.Close())
}

// left proves that every record that stands whole in a file was found, and
// that nothing is vouched for that never was.
func (p *patient) left(t *testing.T, what string, state map[string][]byte, s *store.Salvage) int {
	t.Helper()
	found := map[record.Hash]store.Salvaged{}
	for _, r := range s.Records {
		found[r.Entry.Ref.Hash] = r
		if _, ok := p.data[r.Entry.Ref.Hash]; !ok && r.Proven {
			t.Errorf("%s: a record that never was is vouched for: %v", what, r.Entry.Ref)
		}
	}
	n := 0
	for hash, data := range p.data {
		segments := false
		for name, b := range state {
			if strings.HasSuffix(name, ".seg") {
				segments = segments || bytes.Contains(b, data) || bytes.Contains(b, store.Pack(data))
			}
		}
		r, ok := found[hash]
		if ok != segments || ok && (!r.Segments || r.Database) {
			t.Errorf("%s: record %v: in segments %v; found %v, in segments %v, in database %v", what, hash, segments, ok, r.Segments, r.Database)
		}
		if ok {
			n++
		}
	}
	return n
}

// rebuild makes a new store of what is left: what it holds is whole, what it
// does not is told, and the next generation goes on from it.
func (p *patient) rebuild(t *testing.T, what string, state map[string][]byte, want *store.Salvage) int {
	t.Helper()
	lay(t, p.dir, state)
	into, next := filepath.Join(t.TempDir(), "new"), filepath.Join(t.TempDir(), "next")
	s, err := store.Rebuild(p.dir, into)
	if err != nil {
		t.Errorf("%s: rebuilding: %v", what, err)
		return 0
	}
	if len(s.Records) != len(want.Records) || s.Whole != want.Whole {
		t.Errorf("%s: rebuilt %d records, whole to %v; want %d, %v", what, len(s.Records), s.Whole, len(want.Records), want.Whole)
	}
	if after := files(t, p.dir); !sameFiles(after, state) {
		t.Errorf("%s: the damaged store was changed", what)
	}
	for _, problem := range check(t, into).Problems {
		if !strings.HasPrefix(problem.File, "capture-") {
			t.Errorf("%s: rebuilt with %v", what, problem)
		}
	}
	if _, err := store.Open(into, store.Options{}); !errors.Is(err, store.ErrCopy) {
		t.Errorf("%s: a rebuilt store was opened for writing: %v", what, err)
	}
	ref, err := store.Continue(into, next, store.Options{Now: clock()})
	if errors.Is(err, store.ErrDamaged) && len(check(t, into).Problems) > 0 {
		return 1 // captures are damaged
	}
	if err != nil || ref.Generation != 2 || ref.Sequence != s.Whole.Sequence+1 {
		t.Errorf("%s: continued with %v, %v", what, ref, err)
	}
	return 1
}

func sameFiles(a, b map[string][]byte) bool {
	delete(a, "lock")
	return maps.EqualFunc(a, b, bytes.Equal) || maps.EqualFunc(a, without(b, "lock"), bytes.Equal)
}

func without(m map[string][]byte, name string) map[string][]byte {
	m = maps.Clone(m)
	delete(m, name)
	return m
}
