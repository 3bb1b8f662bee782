package estimate

import (
	"errors"
	"fmt"
	"math"
)

// Histogram is one raw capture of a unit: compensation off, counts of zone z
// and bin b at Counts[z·Bins+b], summed over Shots laser pulses, the ones
// that returned nothing included. Bin b covers [FirstBinPS + b·BinPS,
// FirstBinPS + (b+1)·BinPS).
type Histogram struct {
	Shots       int64
	Counts      []uint32
	FrameTotals [][]uint32 // [frame][zone], equal shots a frame; nil where unknown
	TempCel     float64    // NaN where unknown; 0 is 0 Cel
}

// Summary is one capture of a unit that reports no histograms.
type Summary struct {
	Shots   int64
	Zones   []SummaryZone
	TempCel float64 // NaN where unknown
}

// SummaryZone is what such a unit says of a zone: net counts per shot,
// ambient counts per shot per bin and its range, each with its standard
// uncertainty.
type SummaryZone struct {
	Signal, SignalU   float64
	Ambient, AmbientU float64
	RangeMM, RangeUMM float64
}

// Reference is the target: flat, at a perpendicular distance with its
// standard uncertainty. EndStop tells that the fixture itself confirms the
// position.
type Reference struct {
	DistanceMM, DistanceUMM float64
	EndStop                 bool
}

// FaultCode names what is wrong with a capture.
type FaultCode string

// The faults of captures. None of them is a fault of the unit.
const (
	FaultStray          FaultCode = "stray"           // a return where nothing should be
	FaultFrames         FaultCode = "frames"          // frames disagree, or agree too well
	FaultAmbient        FaultCode = "ambient"         // ambient above the stated highest
	FaultSaturated      FaultCode = "saturated"       // a count at its ceiling, or no shot left at risk
	FaultDeadZones      FaultCode = "dead_zones"      // too many zones without counts
	FaultHotZones       FaultCode = "hot_zones"       // too many zones with far more ambient than the rest
	FaultLeakageChanged FaultCode = "leakage_changed" // leakage differs between the captures
	FaultTargetMissing  FaultCode = "target_missing"  // too few zones see the target
	FaultMisfit         FaultCode = "misfit"          // more than one flat target at one distance
)

// Fault accuses one capture ("empty", "target" or "verify"). Zones are those
// that show it, nil where it belongs to the capture as a whole.
type Fault struct {
	Code    FaultCode
	Capture string
	Zones   []int
}

// Flags mark a zone that takes no part in results over zones.
type Flags uint8

// The flags of a zone.
const (
	Dead      Flags = 1 << iota // no counts
	Hot                         // ambient over 20 times the median of the zones
	Saturated                   // a count at its ceiling
	NoSignal                    // no return stands out of the noise
	Cut                         // the return reaches beyond the first or the last bin
)

var flagNames = [...]struct {
	flag Flags
	name string
}{{Dead, "dead"}, {Hot, "hot"}, {Saturated, "saturated"}, {NoSignal, "no_signal"}, {Cut, "cut"}}

// Names returns the flags in words: dead, hot, saturated, no_signal, cut.
func (f Flags) Names() []string {
	names := []string{}
	for _, n := range flagNames {
		if f&n.flag != 0 {
			names = append(names, n.name)
		}
	}
	return names
}

// ErrCapture is wrapped by every error about a capture's shape or content.
var ErrCapture = errors.New("capture")

func (e *Estimator) checkHistogram(h Histogram) error {
	n, nb := e.zones, e.bins
	if h.Shots < 1 || h.Shots > MaxShots {
		return fmt.Errorf("%w: %d shots", ErrCapture, h.Shots)
	}
	if len(h.Counts) != n*nb {
		return fmt.Errorf("%w: %d counts for %d zones of %d bins", ErrCapture, len(h.Counts), n, nb)
	}
	for z := range n {
		var sum int64
		for _, c := range h.Counts[z*nb : (z+1)*nb] {
			sum += int64(c)
		}
		if e.first && sum > h.Shots {
			return fmt.Errorf("%w: zone %d: %d first photons in %d shots", ErrCapture, z, sum, h.Shots)
		}
		if len(h.FrameTotals) == 0 {
			continue
		}
		var total int64
		for f, fr := range h.FrameTotals {
			if len(fr) != n {
				return fmt.Errorf("%w: frame %d has %d zones, want %d", ErrCapture, f, len(fr), n)
			}
			total += int64(fr[z])
		}
		if total != sum {
			return fmt.Errorf("%w: zone %d: frame totals sum to %d, counts to %d", ErrCapture, z, total, sum)
		}
	}
	return nil
}

func (e *Estimator) checkSummary(s Summary) error {
	if s.Shots < 1 || s.Shots > MaxShots {
		return fmt.Errorf("%w: %d shots", ErrCapture, s.Shots)
	}
	if len(s.Zones) != e.zones {
		return fmt.Errorf("%w: %d zones in the summary, want %d", ErrCapture, len(s.Zones), e.zones)
	}
	for z, q := range s.Zones {
		for _, v := range []float64{q.Signal, q.Ambient, q.RangeMM} {
			if math.IsInf(v, 0) {
				return fmt.Errorf("%w: zone %d: not a finite number", ErrCapture, z)
			}
		}
		for _, u := range []float64{q.SignalU, q.AmbientU, q.RangeUMM} {
			if u < 0 || math.IsInf(u, 0) {
				return fmt.Errorf("%w: zone %d: standard uncertainty %g", ErrCapture, z, u)
			}
		}
	}
	return nil
}

func (r Reference) check() error {
	if !(r.DistanceMM > 0) || !finite(r.DistanceMM) || !nonNegative(r.DistanceUMM) {
		return fmt.Errorf("%w: target at %g mm, u %g mm", ErrCapture, r.DistanceMM, r.DistanceUMM)
	}
	return nil
}
