package station

import (
	"errors"
	"fmt"

	"example.org/panecal/limits"
	"example.org/panecal/protocol"
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

func (f *Files) product() record.Revision {
	return record.Revision{Name: f.Product.Name, Rev: f.Product.Revision, Signed: f.Product.Signed}
}

func (f *Files) limits() record.Revision {
	return record.Revision{Name: f.Limits.Product, Rev: f.Limits.Revision, Signed: f.Limits.Signed}
}

func (f *Files) sheet() record.Revision {
	return record.Revision{Name: f.Sheet.Station, Rev: f.Sheet.Revision, Signed: f.Sheet.Signed}
}

// parseLabel reads the serial off a scan.
func (f *Files) parseLabel(text string) (serial string, err error) {
	l, err := f.Product.Label.Rules.Parse(text)
	return l.Serial, err
}

// summary reports whether units report no histograms.
func (f *Files) summary() bool { return f.Product.Reports == product.ReportsSummary }

// unitRanges reports whether the offset corrects the range that the unit
// itself reports.
func (f *Files) unitRanges() bool { return f.Product.Setup.Corrects == estimate.CorrectsUnit }

// captureFor says how the capture of a step is taken.
func (f *Files) captureFor(s Step) (name string, plan product.Plan, kind protocol.CaptureKind, compensated bool) {
	kind = protocol.Histograms
	if f.summary() {
		kind = protocol.Ranges
	}
	c := f.Product.Capture
	switch s {
	case TargetCapture:
		return "target", c.Target, kind, false
	case RangesCapture:
		return "ranges", c.Target, protocol.Ranges, false
	case VerifyCapture:
		// A unit whose own range is corrected shows it with its constants on;
		// else the station ranges, with the constants that it read back.
		if f.unitRanges() || f.summary() {
			return "verify", c.Verify, protocol.Ranges, true
		}
		return "verify", c.Verify, kind, false
	}
	return "empty", c.Empty, kind, false
}

// lookShots is a hundredth of the target capture: enough to see a target
// arrive, too few to measure it.
func (f *Files) lookShots() int64 {
	const least, share = 2000, 100
	return max(least, f.Product.Capture.Target.Total()/share)
}

func pileUp(p estimate.PileUp) protocol.PileUp {
	if p == estimate.FirstPhoton {
		return protocol.FirstPhoton
	}
	return protocol.PileUpNone
}

// tie is what the product's rule says about label and unit.
type tie struct {
	how       string
	confirmed bool   // the unit or the list says so
	wrong     bool   // the unit or the list says otherwise
	unlisted  bool   // the list does not know the label
	belongs   string // the serial that the unit belongs to by that rule, where wrong
	why       string
}

// tie holds a label's serial against the unit that answers.
func (f *Files) tie(serial string, unit protocol.Identity) tie {
	l := f.Product.Label
	t := tie{how: l.Tie}
	switch l.Tie {
	case product.TieUnit:
		t.confirmed = unit.Serial == serial
		t.wrong = !t.confirmed
		t.belongs = unit.Serial
		t.why = fmt.Sprintf("the unit holds serial %q", unit.Serial)
	case product.TieList:
		id, listed := l.Pairs[serial]
		t.unlisted = !listed
		t.confirmed = listed && id == unit.UnitID
		t.wrong = listed && !t.confirmed
		for s, other := range l.Pairs {
			if other == unit.UnitID {
				t.belongs = s
			}
		}
		t.why = fmt.Sprintf("the list gives unit %q", id)
	}
	if !t.wrong {
		t.belongs, t.why = "", ""
	}
	return t
}
