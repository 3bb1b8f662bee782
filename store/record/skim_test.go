package record_test

import (
	"errors"
	"fmt"
	"slices"
	"testing"

	"example.org/panecal/store/record"
)

// What Skim says of a record is what the decoded record says.
func TestSkimSaysWhatDecodeSays(t *testing.T) {
	for i, b := range bodies(t) {
		e := record.Entry{Ref: record.Ref{Station: "pane-1", Generation: 2, Sequence: uint64(i + 1)}, Time: at(i), Previous: record.HashOf([]byte{1}), Body: b}
		data, ref, err := record.Encode(e)
		if err != nil {
			t.Fatal(err)
		}
		back, err := record.Decode(data)
		if err != nil {
			t.Fatal(err)
		}
		s, err := record.Skim(data)
		if err != nil {
			t.Errorf("%s: %v", b.Kind(), err)
			continue
		}
		if s.Ref != ref || s.Kind != b.Kind() || !s.Time.Equal(e.Time) || s.Previous != e.Previous || s.Version != back.Version || s.Later || s.Subject != b.Subject() {
			t.Errorf("%s: %+v, want subject %+v", b.Kind(), s, b.Subject())
		}
		switch b := b.(type) {
		case *record.Attempt:
			if fmt.Sprint(s.Captures) != fmt.Sprint(b.Captures) || s.Order != "WO 12" || !slices.Equal(s.Lots, []string{"win-1", "gas-1", "emi-1"}) {
				t.Errorf("attempt: %+v", s)
			}
			if !b.Run.Purpose.MayBeIn(data) || record.InStudy.MayBeIn(data) {
				t.Error("the purpose is not seen in the bytes")
			}
		case *record.ShiftSettings:
			if !slices.Equal(s.Lots, []string{"win-1", "gas-1", "emi-1"}) {
				t.Errorf("settings: %+v", s)
			}
		}
		for n := range data {
			if _, err := record.Skim(data[:n]); !errors.Is(err, record.ErrMalformed) {
				t.Fatalf("%s cut at %d: %v", b.Kind(), n, err)
			}
		}
	}
}

// Bytes that are no record lead to an error of one kind, and what is a record
// is skimmed as it is decoded.
func FuzzSkim(f *testing.F) {
	for _, b := range bodies(f) {
		data, _, err := record.Encode(record.Entry{Ref: record.Ref{Station: "pane-1", Generation: 1, Sequence: 1}, Body: b})
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := record.Skim(data)
		if err != nil && !errors.Is(err, record.ErrMalformed) {
			t.Fatal(err)
		}
		e, derr := record.Decode(data)
		if derr != nil {
			return
		}
		if err != nil || s.Ref != e.Ref || !s.Time.Equal(e.Time) || s.Previous != e.Previous || !e.Later && s.Subject != e.Body.Subject() {
			t.Errorf("%v: %+v, %v", e.Ref, s, err)
		}
	})
}
