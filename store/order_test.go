package store_test

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// frames cuts a segment behind its eight letters into its frames, the header's
// first.
func frames(b []byte) (list [][]byte) {
	for at := 8; at < len(b); {
		n := 12 + int(binary.LittleEndian.Uint32(b[at:]))
		list = append(list, b[at:at+n])
		at += n
	}
	return list
}

// Records that are whole and stand in another order are no log, whatever the
// derived files say; a check names the first that does not follow.
func TestSwappedRecordsAreFound(t *testing.T) {
	for i := 1; i < 4; i++ {
		dir := smallLog(t)
		path := filepath.Join(dir, "journal-00000002.seg")
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		f := frames(b)
		if len(f) != 5 {
			t.Fatalf("%d frames", len(f))
		}
		f[i], f[i+1] = f[i+1], f[i]
		out := append([]byte{}, b[:8]...)
		for _, one := range f {
			out = append(out, one...)
		}
		if err := os.WriteFile(path, out, 0o600); err != nil {
			t.Fatal(err)
		}
		said := ""
		for _, p := range check(t, dir).Problems {
			said += fmt.Sprintln(p)
		}
		want := fmt.Sprintf("record %d stands where %d should", i+1, i)
		if i == 1 { // whatever the segment begins with, the one before tells
			want = "record 1 stands where 3 should"
		}
		if !strings.Contains(said, want) {
			t.Errorf("records %d and %d swapped: no %q in\n%s", i, i+1, want, said)
		}
	}
}

// A record is given out under its own hash only.
func TestGetByHash(t *testing.T) {
	s := open(t, smallLog(t))
	defer s.Close()
	ref, err := s.Append(note("A", "mine"))
	if err != nil {
		t.Fatal(err)
	}
	if e, err := s.Get(ref); err != nil || e.Ref != ref {
		t.Errorf("%+v, %v", e, err)
	}
	other := ref
	other.Hash = record.Hash{1}
	if e, err := s.Get(other); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("under another hash: %+v, %v", e, err)
	}
}
