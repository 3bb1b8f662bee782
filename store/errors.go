package store

import (
	"errors"
	"fmt"

	"example.org/panecal/store/hold"
)

// Errors that callers branch on.
var (
	ErrExists  = errors.New("a store is already there")
	ErrNoStore = errors.New("no store there")
	ErrHeld    = errors.New("the store is held by another process")
	ErrDamaged = errors.New("the log is damaged")
	ErrClosed  = errors.New("the store is closed")
	// ErrNewer: a later program has written to the log; this one may follow
	// it, but must not write.
	ErrNewer = errors.New("the log is of a later program")
	// ErrCopy: the store is a copy of a log that may have gone on; see Continue.
	ErrCopy = errors.New("the store is a copy, which the next generation of the log may continue")
	// ErrSimulated: the store holds an invented history; see Build.
	ErrSimulated = errors.New("the store holds a simulated history, to which no station may write")
	// ErrFull: the space that is left is kept for the results of attempts that
	// have begun.
	ErrFull = errors.New("the disk is too full for another attempt")
	// ErrUnknown: the record may or may not have reached the disk. Appending
	// the same body again settles it; any other append settles it first.
	ErrUnknown = errors.New("not known whether the record was written")
	// ErrNotFound: the log has no such record or capture.
	ErrNotFound = errors.New("not in the log")
)

// segmentMissing is what is said of a segment that is not there.
const segmentMissing = "the segment is missing"

// DamageError says where the log is not what was written. It wraps ErrDamaged.
type DamageError struct {
	File   string // name within the store
	Offset int64  // byte, -1 where there is no place
	What   string
}

// Error says place and damage.
func (e *DamageError) Error() string {
	if e.Offset < 0 {
		return fmt.Sprintf("%s: %s", e.File, e.What)
	}
	return fmt.Sprintf("%s at byte %d: %s", e.File, e.Offset, e.What)
}

// Unwrap returns ErrDamaged.
func (e *DamageError) Unwrap() error { return ErrDamaged }

// HeldError says who holds the store. It wraps ErrHeld.
type HeldError struct{ Holder hold.Holder }

// Error names the holder.
func (e *HeldError) Error() string { return "the store is held by " + e.Holder.String() }

// Unwrap returns ErrHeld.
func (e *HeldError) Unwrap() error { return ErrHeld }
