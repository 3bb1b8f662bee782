package store_test

import (
	"crypto/rand"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/panecal/store"
	"example.org/panecal/store/proof"
)

// checkpointed makes a log of n notes with a checkpoint at each place named,
// in a folder of its own, and returns store, folder and public key.
func checkpointed(t *testing.T, n int, at ...int) (dir, folder, public string) {
	t.Helper()
	dir, folder = create(t), filepath.Join(t.TempDir(), "notes")
	secret, public, err := store.StationKey(dir)
	if err != nil {
		t.Fatal(err)
	}
	s := open(t, dir)
	if err := os.Mkdir(folder, 0o750); err != nil {
		t.Fatal(err)
	}
	for i := range n {
		if _, err := s.Append(note("A", strconv.Itoa(i))); err != nil {
			t.Fatal(err)
		}
		if slices.Contains(at, i+1) {
			sequence, text, err := s.Checkpoint(secret, time.Now())
			if err != nil || sequence != uint64(i)+1 {
				t.Fatal(sequence, err)
			}
			if err := os.WriteFile(filepath.Join(folder, strconv.Itoa(i+1)+".note"), text, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return dir, folder, public
}

// rewrite is the insider with everything in hand: a consistent log of the same
// name and identity in place of dir's, other from the record with that sequence
// on: chain, checks, head file and database recomputed.
func rewrite(t *testing.T, dir string, from uint64, n int) {
	t.Helper()
	whole := files(t, dir)
	first := map[string][]byte{}
	for name, b := range whole { // the first segment alone says which log it is
		if name == "journal-00000001.seg" {
			first[name] = b
		}
	}
	other := filepath.Join(t.TempDir(), "other")
	if err := os.Mkdir(other, 0o750); err != nil {
		t.Fatal(err)
	}
	lay(t, other, first)
	if err := store.EmptyLog(other); err != nil {
		t.Fatal(err)
	}
	s := open(t, other)
	for i := range n {
		text := strconv.Itoa(i)
		if uint64(i)+1 >= from {
			text = "other " + text
		}
		if _, err := s.Append(note("A", text)); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	lay(t, dir, files(t, other))
}

// A log that was rewritten as a whole is in order by itself; one checkpoint out
// of the insider's reach finds it, and two say between which records.
func TestRewrittenLogIsFoundByACheckpoint(t *testing.T) {
	dir, folder, public := checkpointed(t, 20, 5, 9, 14, 20)
	beside := store.Beside{Checkpoints: []string{folder}, Public: public}
	whole, err := store.Check(dir, store.CheckOptions{Beside: beside})
	if err != nil || len(whole.Problems) > 0 || len(whole.Witnesses) != 5 {
		t.Fatalf("%v, %v, %v", whole.Problems, whole.Witnesses, err)
	}
	kept := files(t, dir)
	rewrite(t, dir, 7, 20)
	if r, err := store.Check(dir, store.CheckOptions{Beside: store.Beside{}}); err != nil || len(r.Problems) > 0 {
		t.Fatalf("the rewritten log is not in order by itself: %v %v", r.Problems, err)
	}
	// Records hold the time of the clock, which begins anew for each store.
	r, err := store.Check(dir, store.CheckOptions{Beside: beside})
	if err != nil || faults(r) != "rewritten" || r.Problems[0].Record > 7 {
		t.Errorf("%v, %v", r.Problems, err)
	}
	rewrite(t, dir, 1, 12) // shorter
	if r, err := store.Check(dir, store.CheckOptions{Beside: store.Beside{Against: []string{filepath.Join(folder, "20.note")}, Public: public}}); err != nil || faults(r) != "rolled_back" {
		t.Errorf("%v, %v", r.Problems, err)
	}
	lay(t, dir, kept)
	_, other, err := proof.NewKey("panecal/other/1", rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	if r, err := store.Check(dir, store.CheckOptions{Beside: store.Beside{Checkpoints: []string{folder}, Public: other}}); err != nil || faults(r) != "witness witness witness witness" {
		t.Errorf("another key: %v, %v", r.Problems, err)
	}
	if _, err := store.Check(dir, store.CheckOptions{Beside: store.Beside{Against: []string{filepath.Join(folder, "none")}}}); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a checkpoint that is not there: %v", err)
	}
}

// What a reader met is another witness: no other record passes for it.
func TestRewrittenLogIsFoundByAReader(t *testing.T) {
	dir, _, _ := checkpointed(t, 8)
	known := filepath.Join(t.TempDir(), "known")
	if err := store.Meet(dir, known); err != nil {
		t.Fatal(err)
	}
	beside := store.Beside{Known: known}
	if p, _, err := store.Ask(dir, beside); p != nil || err != nil {
		t.Fatal(p, err)
	}
	rewrite(t, dir, 3, 9)
	if p, _, err := store.Ask(dir, beside); err != nil || p == nil || p.Fault != store.Rewritten {
		t.Errorf("asked: %v, %v", p, err)
	}
	if r, err := store.Check(dir, store.CheckOptions{Beside: beside}); err != nil || faults(r) != "rewritten" {
		t.Errorf("checked: %v, %v", r.Problems, err)
	}
}

// The tree goes on where it was kept, and is made anew where it was not.
func TestTreeIsDerived(t *testing.T) {
	dir := create(t)
	secret, _, err := store.StationKey(dir)
	if err != nil {
		t.Fatal(err)
	}
	var roots []string
	for i := range 4 {
		s := open(t, dir)
		for range 3 {
			if _, err := s.Append(note("A", "x")); err != nil {
				t.Fatal(err)
			}
		}
		_, text, err := s.Checkpoint(secret, time.Now())
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		roots = append(roots, strings.Split(string(text), "\n")[2])
		path := filepath.Join(dir, "tree")
		switch i {
		case 0: // kept
		case 1:
			err = os.Remove(path)
		case 2:
			err = os.WriteFile(path, []byte("nonsense"), 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	s := open(t, dir)
	if err := os.Remove(filepath.Join(dir, "tree")); err != nil {
		t.Fatal(err)
	}
	_, text, err := s.Checkpoint(secret, time.Now())
	if err != nil || strings.Split(string(text), "\n")[2] != roots[3] {
		t.Errorf("made anew it has another root: %v", err)
	}
}

// The further back, the fewer checkpoints stay; the newest all do.
func TestCheckpointsAreThinned(t *testing.T) {
	var kept []uint64
	for s := uint64(3); s < 200_000; s += 7 {
		kept = append(kept, s)
		for _, away := range store.Thin(kept) {
			kept = slices.DeleteFunc(kept, func(k uint64) bool { return k == away })
		}
	}
	if len(kept) > 400 || len(kept) < 100 || kept[0] != 3 {
		t.Errorf("%d kept, the first %d", len(kept), kept[0])
	}
	for i := 1; i < len(kept); i++ { // no gap larger than about the distance to the end
		if gap, back := kept[i]-kept[i-1], 200_000-kept[i-1]; gap > back/4+64 {
			t.Errorf("nothing between %d and %d", kept[i-1], kept[i])
		}
	}
}

// A folder that fails is said once, and holds up nobody; a panic is an error.
func TestCheckpointThatPanicsIsSaid(t *testing.T) {
	dir := create(t)
	s := open(t, dir)
	if _, err := s.Append(note("A", "x")); err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	var said []string
	good := filepath.Join(t.TempDir(), "good")
	k := store.KeepCheckpoints(s, "no key", []string{good}, func(folder string, err error) {
		mu.Lock()
		defer mu.Unlock()
		said = append(said, folder+": "+err.Error())
	})
	k.Wake()
	if err := k.Close(); err != nil {
		t.Fatal(err)
	}
	if len(said) != 1 || !strings.HasPrefix(said[0], ": making a checkpoint") {
		t.Errorf("said %q", said)
	}
	said = nil
	k = store.KeepCheckpoints(nil, "", nil, func(_ string, err error) { said = append(said, err.Error()) }) // a fault of the program
	if err := k.Close(); err != nil || len(said) != 1 || !strings.HasPrefix(said[0], "internal error") {
		t.Errorf("said %q, %v", said, err)
	}
	secret, _, err := store.StationKey(dir)
	if err != nil {
		t.Fatal(err)
	}
	bad := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(bad, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	said = nil
	k = store.KeepCheckpoints(s, secret, []string{bad, good}, func(folder string, err error) {
		mu.Lock()
		defer mu.Unlock()
		said = append(said, folder)
	})
	k.Wake()
	if err := k.Close(); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(said, []string{bad}) {
		t.Errorf("said %q", said)
	}
	if _, err := os.Stat(filepath.Join(good, "1.note")); err != nil {
		t.Error(err)
	}
}
