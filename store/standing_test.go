package store_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// stand tells how the attempts of a log stand: R for released, H for on hold.
func stand(t testing.TB, f *store.Follower) string {
	t.Helper()
	var list []string
	held := serials(t, f, store.Filter{OnHold: true})
	err := f.Attempts(store.Filter{}, nil, func(r *store.Row) error {
		s := r.Serial
		if r.Station != "pane-1" {
			s += " of " + r.Station
		}
		if r.Released {
			s += "+R"
		}
		list = append(list, s)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	holds, err := f.Holds()
	if err != nil {
		t.Fatal(err)
	}
	var named []string
	for _, h := range holds {
		named = append(named, h.Serial)
		if h.By.Body.Subject().Serial != h.Serial || !h.Since.Equal(h.By.Time) {
			t.Errorf("%s is held by %v since %v", h.Serial, h.By, h.Since)
		}
	}
	if got := strings.Join(named, " "); got != held {
		t.Errorf("units on hold %s, attempts of such units %s", got, held)
	}
	return strings.Join(list, " ") + " held: " + held
}

// A unit that is held again has been on hold since the first time; one that was
// let go in between, since the second.
func TestHeldSince(t *testing.T) {
	dir := create(t)
	s := open(t, dir)
	var refs []record.Ref
	put := func(b record.Body) {
		t.Helper()
		ref, err := s.Append(b)
		if err != nil {
			t.Fatal(err)
		}
		refs = append(refs, ref)
	}
	held := attempt("S1", 1)
	held.Outcome, held.Judgement.Disposition = record.Failed, record.Hold
	put(held)
	put(&record.DispositionChange{Serial: "S2", To: record.Hold})
	put(&record.DispositionChange{Serial: "S1", To: record.Hold})
	put(&record.DispositionChange{Serial: "S2", To: record.Rework})
	put(&record.DispositionChange{Serial: "S2", To: record.Hold})
	put(&record.DispositionChange{Serial: "never run", To: record.Hold})
	list, err := s.Holds()
	if err != nil || len(list) != 3 {
		t.Fatal(list, err)
	}
	for i, want := range []struct {
		serial string
		by     record.Ref
	}{{"S1", refs[0]}, {"S2", refs[4]}, {"never run", refs[5]}} {
		if list[i].Serial != want.serial || list[i].By.Ref != want.by {
			t.Errorf("%d: %s since %v, want %v", i, list[i].Serial, list[i].By.Ref, want)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// An attempt releases its unit while nothing took that back, in whichever
// segment the change stands; a unit is on hold after its newest disposition.
func TestStanding(t *testing.T) {
	dir := create(t)
	s := openSmall(t, dir)
	fill := func() { // a segment
		for n := range 3 {
			large := note("N", "large")
			large.Signed = noise(uint64(n), 24<<10)
			if _, err := s.Append(large); err != nil {
				t.Fatal(err)
			}
		}
	}
	refs := map[string]record.Ref{}
	for n := range 8 {
		a := attempt(fmt.Sprintf("S%d", n), 1)
		a.Constants = &record.Constants{Written: []byte{1}, ReadBack: []byte{1}, State: "written"}
		switch n {
		case 4:
			a.Outcome, a.Judgement.Disposition = record.Failed, record.Rework
		case 5:
			a.Constants.ReadBack = []byte{2}
		case 6: // decides nothing about the unit, and bears no mark
			a.Run.Purpose, a.Judgement.Disposition = record.Audit, record.Hold
		}
		ref, err := s.Append(a)
		if err != nil {
			t.Fatal(err)
		}
		refs[a.Run.Serial] = ref
	}
	fill()
	move := func(serial string, named bool, to record.Disposition) {
		t.Helper()
		d := &record.DispositionChange{Serial: serial, To: to, Code: "label", Why: "tried", By: "station"}
		if ref := refs[serial]; named {
			d.Attempt = &ref
		}
		if _, err := s.Append(d); err != nil {
			t.Fatal(err)
		}
	}
	move("S0", true, record.Hold)
	move("S1", true, record.Hold)
	move("S1", true, record.Release) // the mark was confirmed after all
	move("S2", false, record.Hold)   // of the unit, not of its attempt
	move("S3", false, record.Scrap)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	const want = "S0 S1+R S2+R S3+R S4 S5 S6 S7+R held: S0 S2"
	if got := stand(t, follow(t, dir, t.TempDir())); got != want {
		t.Errorf("%s, want %s", got, want)
	}

	// Many records later the changes stand in a file of columns.
	s = open(t, dir)
	fill()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if r := check(t, dir); len(r.Problems) > 0 || len(r.Notes) > 0 {
		t.Errorf("check: %+v", r)
	}
	cache := t.TempDir()
	if got := stand(t, follow(t, dir, cache)); got != want {
		t.Errorf("from columns: %s, want %s", got, want)
	}
	// A file that lost them is found by a check. One of a program that kept none
	// there is no damage, and no answer comes from it.
	segment := uint32(1)
	name := func() string { return fmt.Sprintf("journal-%08d.columns", segment) }
	for !bytes.Contains(of(t, filepath.Join(dir, name())), []byte(`"to":"scrap"`)) {
		segment++
	}
	whole := of(t, filepath.Join(dir, name()))
	for _, said := range []bool{true, false} {
		if err := store.LoseChanges(dir, segment, said); err != nil {
			t.Fatal(err)
		}
		r := check(t, dir)
		if said && (len(r.Problems) != 1 || r.Problems[0].File != name()) || !said && (len(r.Problems) != 0 || len(r.Notes) != 1) {
			t.Errorf("said %v: %v, %v", said, r.Problems, r.Notes)
		}
	}
	if got := stand(t, follow(t, dir, t.TempDir())); got != want {
		t.Errorf("from another program's columns: %s, want %s", got, want)
	}
	s = open(t, dir)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(of(t, filepath.Join(dir, name())), whole) {
		t.Error("the station's start did not make that file anew")
	}
	// And where those files are gone they are made anew.
	files, err := filepath.Glob(filepath.Join(dir, "*.columns"))
	if err != nil || len(files) != 3 {
		t.Fatal(files, err)
	}
	for _, f := range files {
		if err := os.Remove(f); err != nil {
			t.Fatal(err)
		}
	}
	for range 2 {
		if got := stand(t, follow(t, dir, cache)); got != want {
			t.Errorf("without columns: %s, want %s", got, want)
		}
	}
}
