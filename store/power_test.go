package store_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
	"example.org/panecal/testdata/figures"
)

// sector is what a disk writes whole or not at all.
const sector = 512

// promise is what was acknowledged once the recorder had counted at calls.
type promise struct {
	at      int
	ref     record.Ref
	capture record.CaptureRef // if ref is zero
}

// powerRun is a station's log over some starts, each of which ends by a
// power cut or a close, with all states that a power cut may leave between.
type powerRun struct {
	rng   *rand.Rand
	dir   string // of the store
	every int    // look at every so manieth state
	deaf  bool   // the disk forgets to sync
	first int    // which sync of a start's first record fails, 0: as it comes

	rec      *recorder
	promises []promise
	seen     int // states
	tried    int
	failures []string
}

// fastDir returns a directory in memory where the system has one: what is laid
// there is laid by replay and need not be durable.
func fastDir(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "panecal-test-*")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

func newPowerRun(t testing.TB, seed uint64, every int, deaf bool) *powerRun {
	return &powerRun{rng: rand.New(rand.NewPCG(seed, 1)), dir: filepath.Join(fastDir(t), "log"), every: every, deaf: deaf}
}

// clear makes the real directory, which has nothing but the lock, a new one.
func (p *powerRun) clear() error {
	return errors.Join(os.RemoveAll(p.dir), os.MkdirAll(p.dir, 0o750))
}

// phase opens the store on files, works with it and closes it or not.
func (p *powerRun) phase(t testing.TB, files map[string][]byte) {
	t.Helper()
	p.rec = newRecorder(files)
	p.rec.deaf = p.deaf
	kept := p.promises
	for i := range kept {
		kept[i].at = 0
	}
	s, err := store.Open(p.dir, store.Options{Now: clock()}.On(p.rec))
	if err != nil {
		t.Fatal(err)
	}
	// What was read once must never be lost again.
	known := map[uint64]bool{}
	for _, q := range kept {
		known[q.ref.Sequence] = true
	}
	must := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	must(s.Since(record.Ref{}, func(e record.Entry) error {
		if !known[e.Ref.Sequence] {
			p.promises = append(p.promises, promise{at: p.rec.count(), ref: e.Ref})
		}
		return nil
	}))
	// The index works beside the journal; here it is waited for, so that the
	// calls come in the same order each time.
	settle := func() {
		err := s.Settle()
		if isRefusal(err) {
			err = s.Settle()
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	settle()
	for i := range 7 {
		refuse := 0
		if p.rng.IntN(4) == 0 {
			refuse = 1 + p.rng.IntN(6)
		}
		if i == 0 && p.first > 0 {
			refuse = p.first
		}
		p.rec.mu.Lock()
		p.rec.refuse = max(refuse, p.rec.refuse)
		p.rec.mu.Unlock()
		var body record.Body = note("A", fmt.Sprint(i, " ", p.rng.Uint64()))
		if p.rng.IntN(3) == 0 {
			c, err := s.AppendCapture(record.Capture{Name: "empty", Counts: make(record.Counts, p.rng.IntN(900))})
			if err == nil {
				p.promises = append(p.promises, promise{at: p.rec.count(), capture: c})
				settle()
				a := fullAttempt("B")
				a.Captures = []record.CaptureRef{c}
				body = a
			} else if !isRefusal(err) {
				t.Fatal(err)
			}
		}
		ref, err := s.Append(body)
		if err == nil {
			p.promises = append(p.promises, promise{at: p.rec.count(), ref: ref})
		} else if !isRefusal(err) {
			t.Fatal(err)
		}
		settle()
	}
	end := p.rec.count()
	if p.rng.IntN(3) == 0 { // or it is killed: what closing does is then not counted
		end = -1
	}
	if err := s.Close(); err != nil && !isRefusal(err) {
		t.Fatal(err)
	}
	if end < 0 {
		end = p.rec.count()
	}
	p.rec.ops = p.rec.ops[:end]
}

// explore tries the states that a power cut may leave anywhere in the phase.
func (p *powerRun) explore(try func(k int, fates map[int]fate)) {
	for k := 0; k <= len(p.rec.ops); k++ {
		try(k, nil) // the process dies and the system goes on
		sync := k == len(p.rec.ops)
		if !sync {
			kind := p.rec.ops[k].kind
			sync = kind == opSync || kind == opSyncDir || kind == opRefusedSync
		}
		if !sync {
			continue
		}
		open := p.rec.unsure(k)
		if len(open) == 0 {
			continue
		}
		lost := func(keep func(i int) bool) map[int]fate {
			m := map[int]fate{}
			for _, i := range open {
				if !keep(i) {
					m[i] = fate{lost: true}
				}
			}
			return m
		}
		try(k, lost(func(int) bool { return false }))
		for _, i := range open {
			try(k, lost(func(j int) bool { return j != i }))
			try(k, lost(func(j int) bool { return j == i }))
			o := p.rec.ops[i]
			if o.kind != opWrite {
				continue
			}
			others := func(f fate) map[int]fate {
				m := map[int]fate{}
				if p.rng.IntN(2) == 0 {
					m = lost(func(j int) bool { return j == i })
				}
				m[i] = f
				return m
			}
			try(k, others(fate{blank: true}))
			for at := sector - int(o.off)%sector; at < len(o.data); at += sector {
				try(k, others(fate{to: at}))
				try(k, others(fate{from: at}))
			}
		}
		for range 4 {
			try(k, lost(func(int) bool { return p.rng.IntN(2) == 0 }))
		}
	}
}

// state lays one state down and proves the promises on it.
func (p *powerRun) state(k int, fates map[int]fate) {
	p.seen++
	if p.seen%p.every != 0 {
		return
	}
	p.tried++
	files := p.rec.lay(k, fates)
	err := p.clear()
	if err == nil {
		err = p.prove(k, onMemory(files))
	}
	if err != nil {
		p.failures = append(p.failures, fmt.Sprintf("after call %d, with %v: %v", k, fates, err))
	}
}

// prove opens a state: what was promised before call k is there, the log takes
// a record, and a check has nothing to report.
func (p *powerRun) prove(k int, d *memory) error {
	s, err := store.Open(p.dir, store.Options{Now: clock()}.On(d))
	if err != nil {
		return err
	}
	list := map[uint64]record.Ref{}
	err = s.Since(record.Ref{}, func(e record.Entry) error { list[e.Ref.Sequence] = e.Ref; return nil })
	for _, q := range p.promises {
		switch {
		case q.at > k:
		case q.ref == record.Ref{}:
			if _, cerr := s.Capture(q.capture); cerr != nil {
				err = errors.Join(err, fmt.Errorf("lost: %w", cerr))
			}
		case list[q.ref.Sequence] != q.ref:
			err = errors.Join(err, fmt.Errorf("lost: record %v, there is %v", q.ref, list[q.ref.Sequence]))
		}
	}
	// Damage of the index shows when it is asked for.
	_, ierr := s.BySerial("A")
	_, jerr := s.BySerial("B")
	_, uerr := s.ByUnitID("u-A")
	_, verr := s.ByUnitID("u-B")
	_, lerr := s.ByLot("L1")
	terr := s.Between(time.Time{}, time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC), func(record.Entry) error { return nil })
	err = errors.Join(err, ierr, jerr, uerr, verr, lerr, terr)
	if _, aerr := s.Append(note("A", "after the power cut")); aerr != nil {
		err = errors.Join(err, aerr)
	}
	if err := errors.Join(err, s.Close()); err != nil {
		return err
	}
	r, err := store.CheckOn(d, p.dir, true)
	if err == nil && len(r.Problems) > 0 {
		err = fmt.Errorf("check: %v", r.Problems)
	}
	return err
}

// starts goes through some starts of a station, the later ones on what a
// power cut has left of the earlier.
func (p *powerRun) starts(t testing.TB, n int) {
	t.Helper()
	p.create(t)
	files := p.rec.lay(len(p.rec.ops), nil)
	for i := range n {
		p.phase(t, files)
		p.explore(p.state)
		if i == n-1 {
			return
		}
		// The next start is on one of the states.
		k := p.rng.IntN(len(p.rec.ops) + 1)
		fates := map[int]fate{}
		for _, j := range p.rec.unsure(k) {
			if p.rng.IntN(2) == 0 {
				fates[j] = fate{lost: true}
			}
		}
		files = p.rec.lay(k, fates)
		if err := p.clear(); err != nil {
			t.Fatal(err)
		}
		kept := p.promises[:0]
		for _, q := range p.promises {
			if q.at <= k {
				kept = append(kept, q)
			}
		}
		p.promises = kept
	}
}

// create makes the store; a power cut meanwhile leaves it whole or absent.
func (p *powerRun) create(t testing.TB) {
	t.Helper()
	p.rec = newRecorder(map[string][]byte{})
	p.rec.deaf = p.deaf
	if err := store.Create(p.dir, store.Options{Station: "pane-1", Now: clock()}.On(p.rec)); err != nil {
		t.Fatal(err)
	}
	made := len(p.rec.ops)
	p.explore(func(k int, fates map[int]fate) {
		files := p.rec.lay(k, fates)
		if _, there := files[filepath.Join(p.dir, "head")]; there {
			p.state(k, fates)
			return
		}
		p.seen++
		if p.seen%p.every != 0 {
			return
		}
		p.tried++
		err := os.RemoveAll(p.dir)
		if _, oerr := store.Open(p.dir, store.Options{}.On(onMemory(files))); !errors.Is(oerr, store.ErrNoStore) {
			err = errors.Join(err, fmt.Errorf("a store that is not there: %w", oerr))
		}
		if k == made {
			err = errors.Join(err, errors.New("lost: the store"))
		}
		if err := errors.Join(err, store.Create(p.dir, store.Options{Station: "pane-1"})); err != nil {
			p.failures = append(p.failures, fmt.Sprintf("creating, after call %d, with %v: %v", k, fates, err))
		}
	})
	if err := p.clear(); err != nil {
		t.Fatal(err)
	}
}

// isRefusal says whether an error is the one that the recorder makes.
func isRefusal(err error) bool { return errors.Is(err, errRefused) }

// Whatever a power cut leaves of a log, all that was acknowledged is there and
// the log goes on. PANECAL_CRASH=full tries 20,000 states and more.
func TestPowerCuts(t *testing.T) {
	runs, every := 2, 61
	if os.Getenv("PANECAL_CRASH") == "full" {
		runs, every = 10, 1
	}
	var seen, tried, failed atomic.Int64
	t.Run("runs", func(t *testing.T) {
		for seed := range runs {
			t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) {
				t.Parallel()
				p := newPowerRun(t, uint64(seed), every, false)
				p.starts(t, 3)
				for _, f := range p.failures[:min(5, len(p.failures))] {
					t.Error(f)
				}
				seen.Add(int64(p.seen))
				tried.Add(int64(p.tried))
				failed.Add(int64(len(p.failures)))
			})
		}
	})
	t.Logf("power cuts: %d states of %d tried, seeds 0 to %d; lost something or not to be opened: %d", tried.Load(), seen.Load(), runs-1, failed.Load())
	least := int64(1)
	if every == 1 {
		least = 20_000
	}
	figures.Tell(t, "crash.power.tried", tried.Load(), "states", fmt.Sprintf(">=%d", least), tried.Load() >= least)
	figures.Tell(t, "crash.power.lost", failed.Load(), "states", "0", failed.Load() == 0)
}

// A segment's name may be lost that came before one that is kept: the sync of
// the directory between them failed.
func TestPowerCutsAfterADirectoryThatWouldNotSync(t *testing.T) {
	tried := 0
	for seed := range uint64(2) {
		p := newPowerRun(t, seed, 1, false)
		p.first = 2
		p.create(t)
		p.tried, p.seen = 0, 0
		p.phase(t, p.rec.lay(len(p.rec.ops), nil))
		p.explore(func(k int, fates map[int]fate) {
			if k <= 26 { // the next segment is there by then
				p.state(k, fates)
			}
		})
		for _, f := range p.failures[:min(3, len(p.failures))] {
			t.Errorf("seed %d: %s", seed, f)
		}
		tried += p.tried
	}
	t.Logf("%d states, seeds 0 and 1", tried)
}

// The states above find a store that forgets to sync.
func TestPowerCutsFindAMissingSync(t *testing.T) {
	p := newPowerRun(t, 1, 17, true)
	p.starts(t, 1)
	if len(p.failures) == 0 {
		t.Errorf("nothing found in %d states", p.tried)
	}
	t.Logf("%d of %d states lost something", len(p.failures), p.tried)
}
