package store

import (
	"bytes"
	"errors"

	"example.org/panecal/store/record"
)

// intents are the bodies of the newest write intents, so that the attempts which
// follow them need not hold the same block again.
type intents struct {
	refs   [16]record.Ref // a station has few nests
	bodies [16][]byte
	next   int
}

// took remembers what was appended.
func (n *intents) took(ref record.Ref, body record.Body) {
	if w, ok := body.(*record.WriteIntent); ok {
		n.refs[n.next], n.bodies[n.next] = ref, bytes.Clone(w.Body)
		n.next = (n.next + 1) % len(n.refs)
	}
}

// short returns body as it is recorded: an attempt refers to its write intent.
func (n *intents) short(body record.Body) record.Body {
	a, ok := body.(*record.Attempt)
	if !ok || a.WriteIntent == nil {
		return body
	}
	for i, ref := range n.refs {
		if ref == *a.WriteIntent {
			return a.Refer(n.bodies[i])
		}
	}
	return body
}

// complete gives an attempt what its record left to its write intent.
func (v *view) complete(e *record.Entry) error {
	a, ok := e.Body.(*record.Attempt)
	if !ok || !a.Refers() || a.WriteIntent == nil {
		return nil
	}
	data, at, err := v.bytes(place{a.WriteIntent.Generation, a.WriteIntent.Sequence}, &a.WriteIntent.Hash)
	if err != nil && !errors.Is(err, ErrNotFound) {
		return err
	}
	var w *record.WriteIntent
	if err == nil {
		intent, derr := record.Decode(data)
		w, _ = intent.Body.(*record.WriteIntent)
		err = derr
	}
	if err != nil || w == nil {
		return &DamageError{File: journalKind.name(at.at.segment), Offset: at.at.offset, What: "the write intent of record " + e.Ref.String() + " is not there"}
	}
	a.Complete(w.Body)
	return nil
}
