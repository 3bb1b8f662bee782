package staff

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/station/roster"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// KnownOperator refuses an operator whom the roster does not let work here.
func KnownOperator(b *roster.Book, id string, now time.Time) error {
	if b == nil || id == "" {
		return nil
	}
	p, ok := b.Person(id)
	switch {
	case !ok:
		return cli.RefusedError("operator_unknown", fmt.Errorf("--operator: %q is not in the roster: name a pseudonym of it, or have an engineer release a roster with it", id))
	case !p.Valid(now, b.Site), !p.Has(roster.Operator):
		return cli.RefusedError("operator_unknown", fmt.Errorf("--operator: %s may not work here as an operator: `panecal roster check` says why", id))
	case !p.Trained(now, b.Site):
		return cli.RefusedError("operator_unknown", fmt.Errorf("--operator: the training of %s ended on %s: a lead may allow one shift at the station's screen", id, p.TrainedUntil))
	}
	return nil
}

// Revision names the roster in force, zero for none.
func Revision(b *roster.Book) record.Revision {
	if b == nil {
		return record.Revision{}
	}
	return record.Revision{Name: roster.Kind, Rev: b.Revision, Signed: b.Signed}
}

// Log is what is asked for the roster before, and told the new one.
type Log interface {
	Records(t store.Topic, term string, each func(record.Entry) error) error
	Append(record.Body) (record.Ref, error)
}

// PutOnRecord puts the roster on record where it is not the one that the log
// holds last; recent is the log's newest part. A log that has a signed roster
// takes no other but one that engineers of that roster have signed.
func PutOnRecord(b *roster.Book, s Log, recent []record.Entry) (record.Revision, error) {
	if b == nil {
		return record.Revision{}, nil
	}
	of := Revision(b)
	var last *record.ReleaseTaken
	look := func(e record.Entry) error {
		if t, ok := e.Body.(*record.ReleaseTaken); ok && t.Document == roster.Kind {
			last = t
		}
		return nil
	}
	for _, e := range recent {
		_ = look(e) // it never fails
	}
	if last == nil { // a station that rested for weeks, or its first roster
		if err := s.Records(store.Kind, record.KindReleaseTaken.String(), look); err != nil {
			return of, fmt.Errorf("looking for the roster before: %w", err)
		}
	}
	if last != nil && last.Revision.Rev == of.Rev {
		return of, nil
	}
	if last != nil && last.Revision.Signed {
		before, err := roster.Read("the roster before", last.Bytes)
		if err != nil {
			return of, fmt.Errorf("reading the roster before from the log: %w", err)
		}
		engineers := before.Keys(time.Now(), b.Site, roster.Engineer)
		d := b.Document
		if err := d.Verify(engineers); err != nil {
			return of, cli.RefusedError("not_in_force", fmt.Errorf("the roster is not in force: %w: engineers of the roster %.12s before it sign it as author and approver: %s", err, last.Revision.Rev, strings.Join(slices.Sorted(maps.Keys(engineers)), ", ")))
		}
	}
	_, err := s.Append(&record.ReleaseTaken{Document: roster.Kind, Revision: of, Author: b.Author, Approver: b.Approver, Reason: b.Reason,
		Effective: b.Effective, Bytes: b.Canonical})
	if err != nil {
		return of, fmt.Errorf("recording which roster is in force: %w", err)
	}
	return of, nil
}
