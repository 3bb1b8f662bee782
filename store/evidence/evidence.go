package evidence

import (
	"errors"
	"fmt"
	"math"

	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/station/capture"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/product"
	"example.org/panecal/store/record"
)

// ErrNoCaptures: there is nothing to compute an attempt from.
var ErrNoCaptures = errors.New("the log has no raw capture of the empty field of this attempt")

// Evidence is an attempt with its raw captures and its product file.
type Evidence struct {
	Attempt *record.Attempt
	Product *product.Product
	// File is what the station computed from: the newest complete captures.
	File capture.File
	// VerifyHistogram is the capture after writing of a unit whose range the
	// station computes; File.Verify is that of a unit which ranges itself.
	VerifyHistogram *estimate.Histogram
	// Raw are all captures of the attempt as they are kept, in order, those that
	// were taken again among them.
	Raw []*record.Capture
}

// Of reads the evidence of an attempt.
func (f *Files) Of(a *record.Attempt) (*Evidence, error) {
	e := &Evidence{Attempt: a}
	for _, ref := range a.Captures {
		c, err := f.log.Capture(ref)
		if err != nil {
			return nil, err
		}
		e.Raw = append(e.Raw, c)
	}
	if len(e.Raw) == 0 {
		return nil, ErrNoCaptures
	}
	var err error
	if e.Product, err = f.Product(a.Run.Product.Rev); err != nil {
		return nil, err
	}
	return e, e.arrange()
}

// arrange finds what was computed from: of each capture the newest that is whole,
// and the target's after the empty field's.
func (e *Evidence) arrange() error {
	f := &e.File
	f.Setup, f.Complete, f.Kind = e.Product.Setup, true, "histogram"
	if e.Product.Reports == product.ReportsSummary {
		f.Kind = "summary"
	}
	t := e.Attempt.Run.Target
	f.Reference = estimate.Reference{DistanceMM: t.DistanceMM, DistanceUMM: t.DistanceUMM, EndStop: t.EndStop}
	var added *protocol.Block
	if len(e.Attempt.AddedBack) > 0 {
		var err error
		if added, err = protocol.ParseBlock(e.Attempt.AddedBack); err != nil {
			return fmt.Errorf("reading the constants that were in force during the captures: %w", err)
		}
	}
	for _, c := range e.Raw {
		if c.End != protocol.Complete.String() {
			continue
		}
		h, s := Inputs(c)
		if s != nil && added != nil && c.Name != "verify" {
			station.AddBack(s, added, e.Product.Setup)
		}
		switch {
		case c.Name == "empty":
			f.Empty, f.EmptySummary = h, s
			f.HasTarget, f.Target, f.TargetSummary, f.UnitRanges = false, nil, nil, nil
		case c.Name == "target" && f.Kind == "histogram" && s != nil:
			f.UnitRanges = s
		case c.Name == "target":
			f.HasTarget, f.Target, f.TargetSummary, f.UnitRanges = true, h, s, nil
		case c.Name == "verify":
			f.Verify, e.VerifyHistogram = s, h
		}
	}
	if f.Empty == nil && f.EmptySummary == nil || (f.Kind == "summary") != (f.EmptySummary != nil) {
		return ErrNoCaptures
	}
	if !f.HasTarget || f.Kind == "histogram" && e.Product.Setup.Corrects == estimate.CorrectsUnit && f.UnitRanges == nil {
		// Nothing was computed of a target without the unit's own ranges beside it.
		f.HasTarget, f.Target, f.TargetSummary, f.UnitRanges, f.Verify, e.VerifyHistogram = false, nil, nil, nil, nil, nil
	}
	return nil
}

// ErrNoVerify: there is no raw capture to put in place of the target's.
var ErrNoVerify = errors.New("the log has no histograms of a capture after writing of this attempt")

// VerifyFile is the file with the capture after writing in place of the target's.
// Where that holds the unit's own ranges, it stands beside the target's under the
// key verify in every file already: the result then has verify.error.
func (e *Evidence) VerifyFile() (capture.File, error) {
	f := e.File
	if f.Verify != nil {
		return f, nil
	}
	if e.VerifyHistogram == nil {
		return f, ErrNoVerify
	}
	f.Target = e.VerifyHistogram
	return f, nil
}

// Inputs gives a kept capture the form that the estimator takes; one of the two is
// nil.
func Inputs(c *record.Capture) (*estimate.Histogram, *estimate.Summary) {
	temp := math.NaN()
	if c.TempKnown {
		temp = float64(c.TempMilliCel) / 1000
	}
	if len(c.Signal) == 0 {
		h := &estimate.Histogram{Shots: c.Shots, Counts: c.Counts, TempCel: temp}
		for _, f := range c.FrameTotals {
			h.FrameTotals = append(h.FrameTotals, f)
		}
		return h, nil
	}
	s := &estimate.Summary{Shots: c.Shots, TempCel: temp}
	for z := range c.Signal {
		s.Zones = append(s.Zones, estimate.SummaryZone{Signal: c.Signal[z], SignalU: c.SignalU[z],
			Ambient: c.Ambient[z], AmbientU: c.AmbientU[z], RangeMM: c.RangeMM[z], RangeUMM: c.RangeUMM[z]})
	}
	return nil, s
}
