package protocol

import (
	"fmt"
	"math"
)

// CaptureKind says what a capture accumulates on board the unit.
type CaptureKind uint8

// Kinds of capture. Histograms and totals are always raw counts; only
// ranges know compensation.
const (
	Histograms CaptureKind = 1 // counts per zone and bin
	Totals     CaptureKind = 2 // counts per zone
	Ranges     CaptureKind = 3 // signal, ambient and range per zone
	EvenLight  CaptureKind = 4 // counts per zone and bin, the emitter off
)

// HasBins tells that a capture of this kind holds counts per zone and bin.
func (k CaptureKind) HasBins() bool { return k == Histograms || k == EvenLight }

func (k CaptureKind) String() string {
	switch k {
	case Histograms:
		return "histograms"
	case Totals:
		return "totals"
	case Ranges:
		return "ranges"
	case EvenLight:
		return "even light"
	}
	return fmt.Sprintf("kind %d", uint8(k))
}

// CaptureRequest starts a capture. The same id starts nothing new.
type CaptureRequest struct {
	ID          uint32 // 1 up, chosen by the station
	Kind        CaptureKind
	Compensated bool  // with Ranges: apply the constants in force
	Shots       int64 // per frame
	Frames      int
}

// MaxShots is the largest number of shots of one frame.
const MaxShots = math.MaxUint32

func (*CaptureRequest) Op() Op { return OpStartCapture }
func (c *CaptureRequest) fields(f *form) {
	num(f, 1, &c.ID, 1, math.MaxUint32)
	num(f, 2, &c.Kind, 1, 4)
	f.flag(3, &c.Compensated)
	num(f, 4, &c.Shots, 1, MaxShots)
	num(f, 5, &c.Frames, 1, MaxFrames)
}

// Capture is a whole capture as the station holds it.
type Capture struct {
	ID     uint32
	Kind   CaptureKind
	Shots  int64 // fired, all frames together
	Frames int

	Counts      []uint32    // Histograms, EvenLight: zone z, bin b at z*bins+b
	Totals      []uint32    // all but Ranges: per zone
	FrameTotals [][]uint32  // all but Ranges: [frame][zone]
	Ranges      []RangeZone // Ranges: per zone

	TempMilliCel int32 // mean over the capture
	End          EndReason
	CountMax     uint32 // a count that large stands for "at least"
}
