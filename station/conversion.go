package station

import (
	"math"

	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
	"example.org/panecal/store/record"
)

const (
	nano  = 1e-9 // of the wire's signal and ambient
	micro = 1e-3 // mm, of the wire's ranges
)

// Inputs gives a capture the form that the estimator takes; one of the two is
// nil.
func Inputs(c *protocol.Capture) (*estimate.Histogram, *estimate.Summary) {
	temp := float64(c.TempMilliCel) / 1000
	if c.Kind != protocol.Ranges {
		return &estimate.Histogram{Shots: c.Shots, Counts: c.Counts, FrameTotals: c.FrameTotals, TempCel: temp}, nil
	}
	s := &estimate.Summary{Shots: c.Shots, TempCel: temp, Zones: make([]estimate.SummaryZone, len(c.Ranges))}
	for i, z := range c.Ranges {
		s.Zones[i] = estimate.SummaryZone{Signal: float64(z.Signal) * nano, SignalU: float64(z.SignalU) * nano,
			Ambient: float64(z.Ambient) * nano, AmbientU: float64(z.AmbientU) * nano,
			RangeMM: math.NaN(), RangeUMM: math.NaN()}
		if z.Ranged {
			s.Zones[i].RangeMM, s.Zones[i].RangeUMM = float64(z.Range)*micro, float64(z.RangeU)*micro
		}
	}
	return nil, s
}

// inputs is Inputs, with the constants in force added back.
func (n *nest) inputs(c *protocol.Capture) (*estimate.Histogram, *estimate.Summary) {
	h, s := Inputs(c)
	if s != nil {
		if b := n.inForce(); b != nil && n.step != VerifyCapture {
			AddBack(s, b, n.files.Product.Setup)
			n.att.addedBack = n.att.found
		}
	}
	return h, s
}

// recordCapture gives a capture the form that the log keeps.
func (n *nest) recordCapture(c *protocol.Capture) *record.Capture {
	step := n.step
	if step == RangesCapture { // the target once more
		step = TargetCapture
	}
	name := n.files.captureFor(step).Name
	compensated := c.Kind == protocol.Ranges && (name == "verify" || n.inForce() != nil)
	if name == "verify" && n.att.far {
		name = "verify far"
	}
	return CaptureRecord(c, name, n.serial, n.unit, compensated)
}

// CaptureRecord is a capture of a unit as the log keeps it.
func CaptureRecord(c *protocol.Capture, name, serial string, of protocol.Identity, compensated bool) *record.Capture {
	r := &record.Capture{Name: name, Serial: serial, Kind: c.Kind.String(), Compensated: compensated,
		Rows: of.Rows, Cols: of.Cols, Bins: of.Bins, BinPS: of.BinFS / 1000, FirstBinPS: of.FirstBinFS / 1000,
		Shots: c.Shots, Counts: c.Counts, CountMax: c.CountMax, End: c.End.String(), TempMilliCel: c.TempMilliCel, TempKnown: true}
	for _, f := range c.FrameTotals {
		r.FrameTotals = append(r.FrameTotals, f)
	}
	for _, z := range c.Ranges {
		r.Signal, r.SignalU = append(r.Signal, float64(z.Signal)*nano), append(r.SignalU, float64(z.SignalU)*nano)
		r.Ambient, r.AmbientU = append(r.Ambient, float64(z.Ambient)*nano), append(r.AmbientU, float64(z.AmbientU)*nano)
		mm, u := math.NaN(), math.NaN()
		if z.Ranged {
			mm, u = float64(z.Range)*micro, float64(z.RangeU)*micro
		}
		r.RangeMM, r.RangeUMM = append(r.RangeMM, mm), append(r.RangeUMM, u)
	}
	return r
}

// reference is the target of the nest.
func (n *nest) reference() estimate.Reference {
	return estimate.Reference{DistanceMM: n.sheet.DistanceMM, DistanceUMM: n.sheet.DistanceUMM, EndStop: n.sheet.EndStop}
}
