package store

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"example.org/panecal/store/record"
)

// Codes of a change of disposition by which the station puts on record that a
// unit testified against the log, and what a signed note begins with that says
// how that came (package station).
const (
	codeDifferent = "witness_different"
	codeMissing   = "witness_missing"
	statement     = "statement:"
)

// heard is a testimony of a unit that is on record, or a statement about one.
type heard struct {
	ref    record.Ref
	serial string
	why    string // of a testimony, "" of a statement
}

// hear takes a testimony or a statement out of a record.
func (s *segmentCheck) hear(k *record.Skimmed, e record.Entry, content []byte) {
	if k.Kind != record.KindDispositionChange && k.Kind != record.KindNote && k.Kind != record.KindCapturesRemoved {
		return
	}
	if e.Body == nil {
		var err error
		if e, err = record.Decode(content); err != nil {
			return // told by who reads it in full
		}
	}
	switch b := e.Body.(type) {
	case *record.CapturesRemoved:
		s.removed = append(s.removed, e)
	case *record.DispositionChange:
		if b.Code == codeDifferent || b.Code == codeMissing {
			s.heard = append(s.heard, heard{k.Ref, b.Serial, b.Why})
		}
	case *record.Note:
		if len(b.Signed) > 0 && strings.HasPrefix(b.Text, statement) {
			s.heard = append(s.heard, heard{k.Ref, b.Serial, ""})
		}
	}
}

// hear keeps what units testified until a statement explains it.
func (b *besideCheck) hear(list []heard) {
	for _, h := range list {
		if h.why == "" {
			delete(b.units, h.serial)
			continue
		}
		if b.units == nil {
			b.units = map[string]heard{}
		}
		b.units[h.serial] = h
	}
}

func (b *besideCheck) judgeUnits() {
	for _, h := range slices.SortedFunc(maps.Values(b.units), func(x, y heard) int { return cmp.Compare(x.ref.Sequence, y.ref.Sequence) }) {
		b.report.Witnesses = append(b.report.Witnesses, Witness{Kind: "unit", Where: h.serial, Sequence: h.ref.Sequence})
		b.say(Witnessed, string(journalKind), h.ref.Sequence, -1, fmt.Sprintf("unit %s: %s; no statement follows", h.serial, h.why))
	}
}
