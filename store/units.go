package store

import (
	"bytes"
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
	codeForked    = "witness_forked"
	statement     = "statement:"
)

// Testimony is what a unit testified against the log, on record.
type Testimony struct {
	Ref    record.Ref // where it is on record
	Serial string
	Why    string
	Fault  Fault
}

// testimonyOf returns what a change of disposition says of a testimony.
func testimonyOf(ref record.Ref, b *record.DispositionChange) (Testimony, bool) {
	switch b.Code {
	case codeDifferent, codeMissing:
		return Testimony{ref, b.Serial, b.Why, Witnessed}, true
	case codeForked:
		return Testimony{ref, b.Serial, b.Why, Forked}, true
	}
	return Testimony{}, false
}

// unexplained are the testimonies, by serial, that no statement has explained.
type unexplained map[string]Testimony

// take takes in a record; leads are those whose statements count.
func (u unexplained) take(ref record.Ref, body record.Body, leads []string) {
	switch b := body.(type) {
	case *record.DispositionChange:
		if t, ok := testimonyOf(ref, b); ok {
			u[b.Serial] = t
		}
	case *record.Note:
		if len(b.Signed) > 0 && strings.HasPrefix(b.Text, statement) && slices.Contains(leads, b.By) {
			delete(u, b.Serial)
		}
	}
}

func (u unexplained) inOrder() []Testimony {
	return slices.SortedFunc(maps.Values(u), func(x, y Testimony) int { return cmp.Compare(x.Ref.Sequence, y.Ref.Sequence) })
}

// Unexplained returns what units testified against the log and none of the leads
// has explained in a signed statement since, in log order.
func (r *Reader) Unexplained(leads []string) ([]Testimony, error) {
	all := unexplained{}
	list, err := r.Positions(Kind, record.KindDispositionChange.String())
	if err != nil {
		return nil, err
	}
	err = r.read(list, func(data []byte) (bool, error) { return bytes.Contains(data, []byte("witness_")), nil }, func(e record.Entry) error {
		all.take(e.Ref, e.Body, leads)
		return nil
	})
	for _, t := range all.inOrder() {
		if err != nil {
			return nil, err
		}
		err = r.Records(Serial, t.Serial, func(e record.Entry) error {
			if e.Ref.Sequence > t.Ref.Sequence {
				all.take(e.Ref, e.Body, leads)
			}
			return nil
		})
	}
	return all.inOrder(), err
}

// hear takes a testimony, a statement or a removal out of a record.
func (s *segmentCheck) hear(k *record.Skimmed, e record.Entry, content []byte) {
	switch k.Kind {
	case record.KindDispositionChange, record.KindNote, record.KindCapturesRemoved:
	default:
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
		if _, ok := testimonyOf(e.Ref, b); ok {
			s.heard = append(s.heard, e)
		}
	case *record.Note:
		if len(b.Signed) > 0 {
			s.heard = append(s.heard, e)
		}
	}
}

// hear keeps what units testified until a statement explains it.
func (b *besideCheck) hear(list []record.Entry) {
	for _, e := range list {
		if b.units == nil {
			b.units = unexplained{}
		}
		b.units.take(e.Ref, e.Body, b.options.Beside.Leads)
	}
}

func (b *besideCheck) judgeUnits() {
	for _, t := range b.units.inOrder() {
		b.report.Witnesses = append(b.report.Witnesses, Witness{Kind: "unit", Where: t.Serial, Sequence: t.Ref.Sequence})
		b.say(t.Fault, string(journalKind), t.Ref.Sequence, -1, fmt.Sprintf("unit %s: %s; no statement follows", t.Serial, t.Why))
	}
}
