package papers

import (
	"errors"
	"fmt"

	"example.org/panecal/limits/release"
	"example.org/panecal/station"
	"example.org/panecal/station/product"
	"example.org/panecal/store/record"
)

// Recorder puts a body on record; when it returns nil, the record survives a
// power cut.
type Recorder interface {
	Append(record.Body) (record.Ref, error)
}

// PutOnRecord puts every released file of the catalogue on record, with its
// bytes, so that the revision that an old attempt names can be read years
// later. A file that the newest records hold already is not repeated, nor one of
// those before.
func (c Catalogue) PutOnRecord(to Recorder, recent []record.Entry, before ...*station.Files) error {
	known := map[string]bool{}
	for _, f := range before {
		for _, d := range []release.Document{f.Product.Document, f.Limits.Document, f.Sheet.Document} {
			known[document(d.Kind)+d.Revision] = true
		}
	}
	for _, e := range recent {
		if t, ok := e.Body.(*record.ReleaseTaken); ok {
			known[t.Document+t.Revision.Rev] = true
		}
	}
	take := func(name string, d release.Document) error {
		if known[document(d.Kind)+d.Revision] {
			return nil
		}
		known[document(d.Kind)+d.Revision] = true
		_, err := to.Append(&record.ReleaseTaken{
			Document: document(d.Kind), Revision: record.Revision{Name: name, Rev: d.Revision, Signed: d.Signed},
			Author: d.Author, Approver: d.Approver, Reason: d.Reason, Effective: d.Effective, Bytes: d.Canonical,
		})
		if err != nil {
			return fmt.Errorf("recording which files are in force: %w", err)
		}
		return nil
	}
	for _, f := range c {
		err := errors.Join(take(f.Product.Name, f.Product.Document), take(f.Limits.Product, f.Limits.Document), take(f.Sheet.Station, f.Sheet.Document))
		if err != nil {
			return err
		}
	}
	return nil
}

// document is what a record calls a kind of released file.
func document(kind string) string {
	if kind == product.SheetKind {
		return "sheet"
	}
	return kind
}
