package proof

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"example.org/panecal/store/record"
)

// The leaves and roots that the reference implementations of RFC 6962 test with
// (google/certificate-transparency, merkletree tests; values from memory).
var (
	rfcLeaves = []string{"", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"}
	rfcRoots  = []string{
		"6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
		"fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
		"aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
		"d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
		"4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
		"76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
		"ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
		"5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
	}
)

func TestTreeIsThatOfRFC6962(t *testing.T) {
	var tree Tree
	if got := hex.EncodeToString(rootOf(tree)); got != "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855" { // SHA-256 of nothing, FIPS 180
		t.Errorf("an empty log: %s", got)
	}
	for i, leaf := range rfcLeaves {
		data, err := hex.DecodeString(leaf)
		if err != nil {
			t.Fatal(err)
		}
		tree.add(tlog.RecordHash(data))
		if got := hex.EncodeToString(rootOf(tree)); got != rfcRoots[i] {
			t.Errorf("%d leaves: %s, want %s", i+1, got, rfcRoots[i])
		}
	}
}

func rootOf(t Tree) []byte { h := t.Root(); return h[:] }

// entries are records of three units, chained.
func entries(t testing.TB, n int) (list []record.Entry, data [][]byte) {
	t.Helper()
	var before record.Hash
	for i := range n {
		e := record.Entry{Ref: record.Ref{Station: "S 1", Generation: 1, Sequence: uint64(i) + 1}, Previous: before,
			Time: time.Date(2027, 3, 1, 6, 0, i, 0, time.UTC), Body: &record.Note{Serial: fmt.Sprint("U", i%3), By: "4711", Text: fmt.Sprint("note ", i)}}
		b, ref, err := record.Encode(e)
		if err != nil {
			t.Fatal(err)
		}
		e.Ref, before = ref, ref.Hash
		list, data = append(list, e), append(data, b)
	}
	return list, data
}

func checkpoint(t testing.TB, list []record.Entry, secret string) (Checkpoint, string) {
	t.Helper()
	var tree Tree
	for _, e := range list {
		tree.Add(e.Ref.Hash)
	}
	c := Checkpoint{Origin: Origin("S 1", record.Hash{1}), Size: tree.Size, Root: tree.Root(), Generation: 1,
		Head: list[len(list)-1].Ref.Hash, Time: time.Date(2027, 3, 1, 7, 0, 0, 0, time.UTC), Start: 1, StartHash: record.Hash{7}}
	text, err := c.Sign(secret)
	if err != nil {
		t.Fatal(err)
	}
	return c, string(text)
}

// A proof of one unit holds with no log at hand, and no changed byte passes.
func TestProofOfAUnit(t *testing.T) {
	secret, public, err := NewKey(Origin("S 1", record.Hash{1}), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	list, data := entries(t, 30)
	c, text := checkpoint(t, list[:24], secret)
	early, earlyText := checkpoint(t, list[:9], secret)
	p := NewProver(24)
	if err := p.WantGrowth(9); err != nil {
		t.Fatal(err)
	}
	for i, e := range list { // each told as late as it may be
		if i < 24 && i%3 == 1 {
			if err := p.Want(uint64(i) + 1); err != nil {
				t.Fatal(err)
			}
		}
		p.Add(e.Ref.Hash)
	}
	if p.Root() != c.Root {
		t.Fatal("the prover has another root")
	}
	f := File{Schema: FileSchema, Serial: "U1", Checkpoint: text, Earlier: earlyText}
	if f.Growth, err = p.Growth(9); err != nil {
		t.Fatal(err)
	}
	for i := 1; i < 24; i += 3 {
		r, err := p.Record(uint64(i) + 1)
		if err != nil {
			t.Fatal(err)
		}
		f.Records = append(f.Records, Proven{data[i], r})
	}
	if _, err := p.Record(1); err == nil {
		t.Error("a proof that was not asked for before")
	}
	whole, err := f.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	got, err := Check(whole, public)
	if err != nil || len(got.Records) != 8 || got.Checkpoint != c || got.Earlier == nil || *got.Earlier != early {
		t.Fatalf("%d records, %+v, %v", len(got.Records), got.Checkpoint, err)
	}
	tried := 0
	for i := 0; i < len(whole); i += 11 {
		for _, bit := range []byte{1, 4, 0x20} {
			bad := []byte(string(whole))
			bad[i] ^= bit
			tried++
			if _, err := Check(bad, public); !errors.Is(err, ErrProof) {
				t.Errorf("byte %d of %d changed by %#x, %q: %v", i, len(whole), bit, whole[max(0, i-10):i+10], err)
			}
		}
	}
	if tried < 1000 {
		t.Errorf("only %d changes tried", tried)
	}
	_, other, err := NewKey(Origin("S 1", record.Hash{1}), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Check(whole, other); !errors.Is(err, ErrProof) {
		t.Errorf("another key: %v", err)
	}
}

// A log that was rewritten behind an earlier checkpoint has not grown out of it.
func TestRewrittenLogHasNotGrown(t *testing.T) {
	secret, public, err := NewKey(Origin("S 1", record.Hash{1}), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	list, _ := entries(t, 40)
	_, earlier := checkpoint(t, list[:20], secret)
	list[11].Ref.Hash[0] ^= 1
	_, text := checkpoint(t, list, secret)
	p := NewProver(40)
	if err := p.WantGrowth(20); err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		p.Add(e.Ref.Hash)
	}
	f := File{Schema: FileSchema, Checkpoint: text, Earlier: earlier}
	if f.Growth, err = p.Growth(20); err != nil {
		t.Fatal(err)
	}
	data, err := f.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Check(data, public); !errors.Is(err, ErrProof) || !strings.Contains(err.Error(), "did not grow") {
		t.Errorf("%v", err)
	}
}

// A checkpoint has one form: no other bytes are the same one.
func TestCheckpointHasOneForm(t *testing.T) {
	secret, public, err := NewKey(Origin("S 1", record.Hash{1}), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	list, _ := entries(t, 5)
	want, text := checkpoint(t, list, secret)
	if got, signed, err := Open([]byte(text), public); err != nil || !signed || got != want {
		t.Fatalf("%+v %v %v", got, signed, err)
	}
	if got, signed, err := Open([]byte(text), ""); err != nil || signed || got != want {
		t.Errorf("with no key: %+v %v %v", got, signed, err)
	}
	for i := range text {
		for _, bit := range []int{0, 3, 5} {
			bad := []byte(text)
			bad[i] ^= 1 << bit
			if _, _, err := Open(bad, public); !errors.Is(err, ErrProof) {
				t.Errorf("byte %d, bit %d: %v", i, bit, err)
			}
		}
	}
	if _, _, err := Open([]byte(text+"— other AAAAAAAA\n"), public); err == nil {
		t.Error("a line added")
	}
}
