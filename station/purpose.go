package station

import (
	"fmt"
	"slices"

	"example.org/panecal/store/record"
)

// Purpose says what a run is for, and so what it may do to the unit and to
// the figures.
type Purpose = record.Purpose

// The purposes.
const (
	Production  = record.Production  // judged, written, counted
	Audit       = record.Audit       // measured and judged, nothing written
	Check       = record.CheckUnit   // a check unit: judged, nothing written, not counted
	Study       = record.InStudy     // measured and judged without a cap, nothing written, not counted
	Engineering = record.Engineering // an engineer's run: written, every unit ends on hold
)

func validPurpose(p Purpose) error {
	if slices.Contains(record.Purposes(), p) {
		return nil
	}
	return fmt.Errorf("purpose %q: want production, audit, check, study or engineering", string(p))
}

// writes reports whether constants are written into the unit.
func writes(p Purpose) bool { return p == Production || p == Engineering }

// counted reports whether attempts enter the yield and the retest cap.
func counted(p Purpose) bool { return p == Production }
