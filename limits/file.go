package limits

import (
	"slices"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/release"
)

// File is a limits file, read and found without fault.
type File struct {
	release.Document        // Revision, Signed, author, approver …
	Product          string // name of the product it is for
	Limits           []Limit
	Bins             []Bin // every soft bin by number, the reserved ones included
	passed           Bin
	notMeasured      Bin
}

// Limit is what a file demands of one quantity. Low and High are the
// specification limits, nil where that side is open.
type Limit struct {
	quantity.Definition
	Low, High         *float64
	K                 float64  // guard factor: the guard band is K·u
	LowBin, HighBin   *Bin     // nil where that side is open
	Instruction       Text     // zero for that of the bin
	Optional          bool     // may be absent from what was measured
	Typical           *float64 // mean over units and zones
	TypicalU          *float64 // standard uncertainty of a measurement, of one zone
	TypicalSD         *float64 // standard deviation from unit to unit
	TypicalZoneSD     *float64 // and from zone to zone of one unit
	Zones             int      // of a unit; 1 for a quantity without zones, 0 where the file does not say
	highest, smallest int      // row columns that the sides are held against; −1 where the row cannot say
}

// Bin finds a soft bin by its name in the file.
func (f *File) Bin(name string) (Bin, bool) {
	i := slices.IndexFunc(f.Bins, func(b Bin) bool { return b.Name == name })
	if i < 0 {
		return Bin{}, false
	}
	return f.Bins[i], true
}

// guardColumns finds the columns of a row that hold the limit's guarded
// value: for a quantity with zones those of k, for others that of the value.
func guardColumns(d quantity.Definition, k float64) (high, low int) {
	if !d.Zoned {
		return d.Column, d.Column
	}
	if i := int(k); k == float64(i) && i < quantity.Guards {
		return d.Column + 2 + i, d.Column + 2 + quantity.Guards + i
	}
	return -1, -1
}
