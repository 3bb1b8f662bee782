package protocol

import "math"

// Faults of a unit, bits of [Status].Faults. Bits 16 to 31 are the
// product's own.
const (
	FaultEmitter     uint32 = 1 << 0
	FaultDetector    uint32 = 1 << 1
	FaultConstants   uint32 = 1 << 2 // what is stored is no whole block
	FaultTemperature uint32 = 1 << 3 // too hot or too cold to measure
	FaultMemory      uint32 = 1 << 4
)

// Status is the answer to a status request.
type Status struct {
	TempMilliCel int32 // temperature of the optical module
	EmitterOn    bool
	Faults       uint32
	Capture      uint32 // id of the capture held or running, 0 for none
}

const (
	minTemp = -273_150
	maxTemp = 1_000_000
)

func (s *Status) fields(f *form) {
	num(f, 1, &s.TempMilliCel, minTemp, maxTemp)
	f.flag(2, &s.EmitterOn)
	num(f, 3, &s.Faults, 0, math.MaxUint32)
	num(f, 4, &s.Capture, 0, math.MaxUint32)
}
