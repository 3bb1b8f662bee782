package protocol

import (
	"fmt"
	"math"
)

// EndReason says why a capture ended.
type EndReason uint8

// Reasons of an end.
const (
	Running   EndReason = 0 // not ended
	Complete  EndReason = 1 // every shot fired
	Stopped   EndReason = 2 // by a stop request
	Watchdog  EndReason = 3 // no valid request for 1 s
	UnitFault EndReason = 4 // the unit's hardware; see status
)

func (r EndReason) String() string {
	names := [...]string{Running: "running", Complete: "complete", Stopped: "stopped", Watchdog: "watchdog",
		UnitFault: "unit fault"}
	if int(r) < len(names) {
		return names[r]
	}
	return fmt.Sprintf("reason %d", uint8(r))
}

// AskProgress asks how far a capture is.
type AskProgress struct{ Capture uint32 }

func (*AskProgress) Op() Op { return OpProgress }
func (a *AskProgress) fields(f *form) {
	num(f, 1, &a.Capture, 1, math.MaxUint32)
}

// Progress is the answer to a progress request and to the start of a
// capture.
type Progress struct {
	Capture      uint32
	End          EndReason // Running while it runs
	ShotsFired   int64     // all frames together
	FramesDone   int
	RemainingMS  int64 // estimate; 0 when ended or not known
	TempMilliCel int32 // mean so far
}

func (p *Progress) fields(f *form) {
	num(f, 1, &p.Capture, 1, math.MaxUint32)
	num(f, 2, &p.End, 0, math.MaxUint8)
	num(f, 3, &p.ShotsFired, 0, MaxShots*MaxFrames)
	num(f, 4, &p.FramesDone, 0, MaxFrames)
	num(f, 5, &p.RemainingMS, 0, math.MaxUint32)
	num(f, 6, &p.TempMilliCel, minTemp, maxTemp)
}
