package station

import (
	"errors"
	"fmt"
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/limits/release"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/product"
	"example.org/panecal/store/record"
)

// Files are the released files in force together. The set that a unit begins
// with holds to its verdict.
type Files struct {
	Product *product.Product
	Limits  *limits.File
	Sheet   *product.Sheet

	estimator *estimate.Estimator
}

// ErrMismatch: files that do not belong together.
var ErrMismatch = errors.New("the files do not belong together")

// NewFiles holds the files against each other and prepares what they say.
func NewFiles(p *product.Product, l *limits.File, s *product.Sheet) (*Files, error) {
	if l.Product != p.Name {
		return nil, fmt.Errorf("%w: the limits are for product %q, not %q", ErrMismatch, l.Product, p.Name)
	}
	e, err := estimate.New(p.Setup)
	if err != nil {
		return nil, fmt.Errorf("preparing product %s: %w", p.Name, err)
	}
	return &Files{Product: p, Limits: l, Sheet: s, estimator: e}, nil
}

// Signed reports whether every file was signed.
func (f *Files) Signed() bool { return f.Product.Signed && f.Limits.Signed && f.Sheet.Signed }

// Revisions are the files as a record names them.
func (f *Files) Revisions() (product, limits, sheet record.Revision) {
	return f.product(), f.limits(), f.sheet()
}

func (f *Files) product() record.Revision {
	return record.Revision{Name: f.Product.Name, Rev: f.Product.Revision, Signed: f.Product.Signed}
}

func (f *Files) limits() record.Revision {
	return record.Revision{Name: f.Limits.Product, Rev: f.Limits.Revision, Signed: f.Limits.Signed}
}

func (f *Files) sheet() record.Revision {
	return record.Revision{Name: f.Sheet.Station, Rev: f.Sheet.Revision, Signed: f.Sheet.Signed}
}

// ended says which of the files holds no more, nil for none.
func (f *Files) ended(now time.Time) error {
	for _, d := range []*release.Document{&f.Product.Document, &f.Limits.Document, &f.Sheet.Document} {
		if err := d.InForce(now); errors.Is(err, release.ErrEnded) {
			return err
		}
	}
	return nil
}

// summary reports whether units report no histograms.
func (f *Files) summary() bool { return f.Product.Reports == product.ReportsSummary }

// unitRanges reports whether the offset corrects the range that the unit
// itself reports.
func (f *Files) unitRanges() bool { return f.Product.Setup.Corrects == estimate.CorrectsUnit }

// takeUp brings new released files into force, for each nest at its next
// unit.
func (m *Machine) takeUp(t TakeUp) {
	f := t.Files
	if t.Refused != "" {
		m.announce(NoNest, RefusedFiles, Args{Detail: Verbatim(t.Refused)})
		return
	}
	if t.Roster != (record.Revision{}) {
		m.cfg.Roster, m.cfg.Leads = t.Roster, t.Leads
		return
	}
	if f == nil || len(f.Sheet.Nests) != len(m.nests) {
		m.announce(NoNest, RefusedFiles, Args{Detail: Because{Reason: ReasonNests}})
		return
	}
	for i, s := range f.Sheet.Nests {
		if s.Name != m.nests[i].sheet.Name || s.Port != m.nests[i].sheet.Port {
			m.announce(NoNest, RefusedFiles, Args{Detail: Because{Reason: ReasonNests}})
			return
		}
	}
	m.files = f
	m.liftOverdue()
	m.warnOfTie()
}
