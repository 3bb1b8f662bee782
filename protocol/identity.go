package protocol

import (
	"fmt"
	"math"
)

// PileUp says what a zone can count in one shot.
type PileUp uint8

// Kinds of pile-up.
const (
	PileUpNone  PileUp = 0 // every photon
	FirstPhoton PileUp = 1 // at most one photon a shot
)

func (p PileUp) String() string {
	switch p {
	case PileUpNone:
		return "none"
	case FirstPhoton:
		return "first-photon"
	}
	return fmt.Sprintf("pile-up %d", uint8(p))
}

// Kinds is the set of capture kinds that a unit can do.
type Kinds uint8

// KindsOf makes a set.
func KindsOf(kinds ...CaptureKind) (set Kinds) {
	for _, k := range kinds {
		set |= 1 << (k - 1)
	}
	return set
}

// Has reports whether k is in the set.
func (s Kinds) Has(k CaptureKind) bool { return k >= Histograms && k <= EvenLight && s&KindsOf(k) != 0 }

// Limits of what a unit may announce; they bound what a station holds for
// one capture (SPEC.md 5.1).
const (
	MaxZones  = 1024
	MaxBins   = 1024
	MaxFrames = 256
	maxValues = 1 << 18 // zones x bins
)

// Identity is the answer to "who are you"; its keys keep their meaning for
// ever.
type Identity struct {
	Session uint32 // from the answer's envelope, not a key of the body

	UnitID   string // the unit's own electronic identity, never changed
	Serial   string // the serial on its label, "" where the unit does not hold it
	Product  string
	Firmware string

	ProtoLow, ProtoHigh int // versions of SPEC.md that the unit speaks

	Rows, Cols, Bins int
	BinFS            int64 // nominal width of a bin, femtoseconds
	FirstBinFS       int64 // left edge of bin 0 against the emitted pulse, femtoseconds
	PulsePeriodNS    int64 // pulse repetition, nanoseconds
	PileUp           PileUp
	CountBits        int // counts saturate at 2^CountBits − 1

	MaxIn, MaxOut int // largest payload taken in and sent, bytes
	MaxHeld       int // requests that may be in flight
	CommitMS      int // longest commit, milliseconds

	Kinds           Kinds
	CompensationOff bool // ranges can be had without compensation
	MaxFrames       int  // frames whose zone totals a capture holds
}

// Zones returns Rows x Cols.
func (id *Identity) Zones() int { return id.Rows * id.Cols }

// changed names what a unit says of itself otherwise than it did before, ""
// for nothing, or for another unit. New firmware may change all but who the
// unit is, and its grid (SPEC.md 5.1.1).
func (id Identity) changed(now Identity) string {
	switch {
	case id.UnitID == "" || id.UnitID != now.UnitID:
		return ""
	case id.Serial != now.Serial:
		return "serial"
	case id.Product != now.Product:
		return "product"
	case id.Rows != now.Rows || id.Cols != now.Cols:
		return "grid"
	}
	now.Session = id.Session
	if id.Firmware == now.Firmware && id != now {
		return "description by the same firmware"
	}
	return ""
}

// CountMax returns the value at which a count saturates.
func (id *Identity) CountMax() uint32 { return uint32(1<<id.CountBits - 1) }

// maxName is the longest name in an identity or a constants block, bytes.
const maxName = 32

func (id *Identity) fields(f *form) {
	f.text(1, &id.UnitID, maxName)
	f.text(2, &id.Serial, maxName)
	f.text(3, &id.Product, maxName)
	f.text(4, &id.Firmware, maxName)
	num(f, 5, &id.ProtoLow, 1, math.MaxUint16)
	num(f, 6, &id.ProtoHigh, 1, math.MaxUint16)
	num(f, 7, &id.Rows, 1, MaxZones)
	num(f, 8, &id.Cols, 1, MaxZones)
	num(f, 9, &id.Bins, 0, MaxBins)
	num(f, 10, &id.BinFS, 0, 1e9)
	num(f, 11, &id.FirstBinFS, -1e12, 1e12)
	num(f, 12, &id.PulsePeriodNS, 1, 1e9)
	num(f, 13, &id.PileUp, 0, 1)
	num(f, 14, &id.CountBits, 8, 32)
	num(f, 15, &id.MaxIn, minPayloadIn, MaxPayload)
	num(f, 16, &id.MaxOut, minPayloadOut, MaxPayload)
	num(f, 17, &id.MaxHeld, 1, 16)
	num(f, 18, &id.CommitMS, 0, maxBusyMS)
	num(f, 19, &id.Kinds, 1, 15)
	f.flag(20, &id.CompensationOff)
	num(f, 21, &id.MaxFrames, 1, MaxFrames)
	if z := id.Rows * id.Cols; z > MaxZones || z*id.Bins > maxValues {
		f.fail(7, "too many zones or bins")
	}
	if id.ProtoLow > id.ProtoHigh {
		f.fail(6, "highest version below the lowest")
	}
	if (id.Kinds.Has(Histograms) || id.Kinds.Has(EvenLight)) && (id.Bins < 2 || id.BinFS < 1) {
		f.fail(9, "histograms need bins")
	}
}
