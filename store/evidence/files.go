package evidence

import (
	"errors"
	"fmt"
	"strings"

	"example.org/panecal/limits"
	"example.org/panecal/station/product"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Log is what is read of a log.
type Log interface {
	Capture(ref record.CaptureRef) (*record.Capture, error)
	Records(t store.Topic, term string, each func(record.Entry) error) error
}

// Files are the released files that a log holds, each read once.
type Files struct {
	log      Log
	taken    []*record.ReleaseTaken // in log order, each revision once; nil before the first question
	products map[string]*product.Product
}

// NewFiles makes the files of a log.
func NewFiles(log Log) *Files { return &Files{log: log, products: map[string]*product.Product{}} }

// ErrNoRevision: the log holds no such revision.
var ErrNoRevision = errors.New("the log has no such revision")

// all returns every revision that was ever in force.
func (f *Files) all() ([]*record.ReleaseTaken, error) {
	if f.taken != nil {
		return f.taken, nil
	}
	seen := map[string]bool{}
	err := f.log.Records(store.Kind, record.KindReleaseTaken.String(), func(e record.Entry) error {
		if t, ok := e.Body.(*record.ReleaseTaken); ok && !seen[t.Document+t.Revision.Rev] {
			seen[t.Document+t.Revision.Rev] = true
			f.taken = append(f.taken, t)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("reading which files were in force: %w", err)
	}
	return f.taken, nil
}

// Find returns the one revision of a kind of document ("limits", "product",
// "sheet", "roster") whose hash begins with prefix; ErrNoRevision for none.
func (f *Files) Find(document, prefix string) (*record.ReleaseTaken, error) {
	list, err := f.all()
	if err != nil {
		return nil, err
	}
	var found *record.ReleaseTaken
	for _, t := range list {
		if t.Document != document || !strings.HasPrefix(t.Revision.Rev, strings.ToLower(prefix)) {
			continue
		}
		if found != nil {
			return nil, fmt.Errorf("more than one revision of %s begins with %s: write more digits", document, prefix)
		}
		found = t
	}
	if found == nil {
		return nil, fmt.Errorf("%s %.16s: %w", document, prefix, ErrNoRevision)
	}
	return found, nil
}

// Product returns a revision of a product file.
func (f *Files) Product(rev string) (*product.Product, error) {
	if p := f.products[rev]; p != nil {
		return p, nil
	}
	t, err := f.Find(product.Kind, rev)
	if err != nil {
		return nil, err
	}
	p, err := product.Read("product "+t.Revision.Rev[:min(12, len(t.Revision.Rev))], t.Bytes)
	if err != nil {
		return nil, fmt.Errorf("reading an old product file: %w", err)
	}
	if p.Revision != t.Revision.Rev {
		return nil, fmt.Errorf("the product file in the log is revision %.16s, not %.16s as its record says", p.Revision, t.Revision.Rev)
	}
	p.Signed = t.Revision.Signed
	f.products[rev] = p
	return p, nil
}

// Limits returns a revision of a limits file by the beginning of its hash.
func (f *Files) Limits(prefix string) (*limits.File, error) {
	t, err := f.Find(limits.Kind, prefix)
	if err != nil {
		return nil, err
	}
	l, err := limits.Read("limits "+t.Revision.Rev[:min(12, len(t.Revision.Rev))], t.Bytes)
	if err != nil {
		return nil, fmt.Errorf("reading an old limits file: %w", err)
	}
	l.Signed = t.Revision.Signed
	return l, nil
}
