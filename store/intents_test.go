package store_test

import (
	"bytes"
	"testing"
	"time"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// The block of an attempt is on record once, with its write intent; whoever reads
// the attempt gets it whole, and its bytes are those that were hashed.
func TestBlockIsOnRecordOnce(t *testing.T) {
	dir := create(t)
	s := open(t, dir)
	body := noise(1, 3000)
	written := append(bytes.Clone(body), "witness, state and check"...)
	other := flipped(written, 7)
	type try struct {
		name               string
		intended           []byte // nil for no intent
		written, back      []byte
		restart            bool // between intent and result: the station has forgotten it
		least, mostEncoded int
	}
	for _, c := range []try{
		{"as intended, read back equal", body, written, written, false, 0, 2000},
		{"read back otherwise", body, written, other, false, 3000, 5000},
		{"never read back", body, written, nil, false, 0, 2000},
		{"another block than intended", noise(2, 100), written, written, false, 6000, 8000},
		{"of another run", body, written, written, true, 6000, 8000},
		{"without an intent", nil, written, written, false, 6000, 8000},
	} {
		a := attempt(c.name, 1)
		if c.intended != nil {
			ref, err := s.Append(&record.WriteIntent{Serial: c.name, Body: c.intended, BodyHash: record.HashOf(c.intended)})
			if err != nil {
				t.Fatal(err)
			}
			a.WriteIntent = &ref
		}
		if c.restart {
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s = open(t, dir)
		}
		a.Constants = &record.Constants{Written: c.written, ReadBack: c.back, State: "written"}
		ref, err := s.Append(a)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(a.Constants.Written, c.written) || a.Refers() {
			t.Errorf("%s: the caller's attempt was changed", c.name)
		}
		f := follow(t, dir, "")
		for name, r := range map[string]*store.Reader{"station": &s.Reader, "reader": &f.Reader} {
			byRef, err1 := r.Get(ref)
			list, err2 := r.BySerial(c.name)
			var newest record.Entry
			err3 := r.Between(time.Time{}, time.Now(), func(e record.Entry) error {
				if e.Ref == ref {
					newest = e
				}
				return nil
			})
			if err1 != nil || err2 != nil || err3 != nil || len(list) == 0 {
				t.Fatal(err1, err2, err3, len(list))
			}
			for _, e := range []record.Entry{byRef, list[len(list)-1], newest} {
				k := e.Body.(*record.Attempt).Constants
				if !bytes.Equal(k.Written, c.written) || !bytes.Equal(k.ReadBack, c.back) || k.Equal() != bytes.Equal(c.written, c.back) {
					t.Errorf("%s, %s: not the block that was written", c.name, name)
				}
				data, again, err := record.Encode(e)
				if err != nil || again != ref || len(data) < c.least || len(data) > c.mostEncoded {
					t.Errorf("%s, %s: encoded in %d bytes as %v, not %v; %v", c.name, name, len(data), again, ref, err)
				}
			}
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if r := check(t, dir); len(r.Problems) > 0 {
		t.Error(r.Problems)
	}
}
