package station

import "fmt"

// Purpose says what a run is for, and so what it may do to the unit and to
// the figures.
type Purpose string

// The purposes.
const (
	Production  Purpose = "production"  // judged, written, counted
	Audit       Purpose = "audit"       // measured and judged, nothing written
	Check       Purpose = "check"       // a check unit: judged, nothing written, not counted
	Study       Purpose = "study"       // measured and judged without a cap, nothing written, not counted
	Engineering Purpose = "engineering" // an engineer's run: written, every unit ends on hold
)

// Valid returns an error for a purpose that does not exist.
func (p Purpose) Valid() error {
	switch p {
	case Production, Audit, Check, Study, Engineering:
		return nil
	}
	return fmt.Errorf("purpose %q: want production, audit, check, study or engineering", string(p))
}

// writes reports whether constants are written into the unit.
func (p Purpose) writes() bool { return p == Production || p == Engineering }

// counted reports whether attempts enter the yield and the retest cap.
func (p Purpose) counted() bool { return p == Production }
