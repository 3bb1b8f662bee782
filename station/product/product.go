package product

import (
	"example.org/panecal/limits/release"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/label"
)

// Product is a product file, read and found without fault.
type Product struct {
	release.Document // Revision, Signed, author, approver …

	Name       string
	LimitsFile string   // name of the limits file that belongs to it, "" for none
	Firmware   []string // versions that may be calibrated, at least one
	Reports    string   // ReportsHistograms or ReportsSummary

	Setup   estimate.Setup
	Field   *Field // that the directions come from, nil where they are given
	Capture Captures
	Line    Line
	Label   Label
	Retest  Retest

	// Requirement is what the product promises of its range in use, nil where
	// the file does not say. What a station's target adds to it is 0 here, the
	// signal too where the file leaves it to the limits.
	Requirement *estimate.Requirement

	// RestartEvery: one unit in so many is restarted after its constants are
	// written, so that what is read back is what it stores; 0 for none.
	RestartEvery int

	// RestartByPower: a restart takes the unit's power away, where the nest's
	// fixture can.
	RestartByPower bool

	WarmUp WarmUp // before the captures

	CompensationAlwaysOn bool // the unit cannot range without its stored constants
	MeasureAfterFailure  bool // after a failure the rest is still measured, never written
}

// What units report.
const (
	ReportsHistograms = "histograms"
	ReportsSummary    = "summary" // signal, ambient and range per zone
)

// Captures says how long each capture is.
type Captures struct{ Empty, Target, Verify Plan }

// Plan is the length of one capture.
type Plan struct {
	Shots  int64 // in each frame
	Frames int
}

// Total is the number of shots of the whole capture.
func (p Plan) Total() int64 { return p.Shots * int64(p.Frames) }

// Line is how units are spoken to.
type Line struct {
	Baud      int
	OpenText  string // opens the protocol on a unit with a console, "" without one
	CloseText string
}

// Label says which labels units carry and how label and unit are tied.
type Label struct {
	Pattern string // of the serial, "" for any
	Check   label.Check
	Rules   *label.Rules // of Pattern and Check
	Tie     string
	Pairs   map[string]string // serial to unit identity, for TieList
}

// How label and unit are tied.
const (
	TieUnit  = "unit"  // the unit holds its serial
	TieList  = "list"  // pairs from an earlier operation
	TieFirst = "first" // tied here, not confirmed
)

// Retest says how often a unit may come back.
type Retest struct {
	MaxAttempts int  // judged attempts of one serial, since it was last reworked
	AfterPass   bool // a unit that passed may run again
	// MaxReworks is how often one serial may be reworked over its life, 0 for any
	// number. A unit that fails after that is on hold.
	MaxReworks int
	// Reworks are what may be done to a unit, by code. A unit that was sent to
	// rework runs again only after one of them is on record; where there are none,
	// after any word of a person's own.
	Reworks map[string]string
}
