package store

import (
	"errors"
	"path/filepath"
	"time"

	"example.org/panecal/store/hold"
)

// lockName is the file that the process which writes holds.
const lockName = "lock"

// holdFor takes the lock of dir, waiting for it at most for patience, or
// returns a HeldError.
func holdFor(dir, command string, now func() time.Time, patience time.Duration) (*hold.Hold, error) {
	h, err := hold.Wait(filepath.Join(dir, lockName), fileMode, command, now, patience)
	if held := (*hold.HeldError)(nil); errors.As(err, &held) {
		return nil, &HeldError{held.Holder}
	}
	return h, err
}

// notHeld returns a HeldError if somebody holds the store in dir.
func notHeld(dir string) error {
	holder, held, err := hold.By(filepath.Join(dir, lockName))
	if held {
		return &HeldError{holder}
	}
	return err
}

// stillHeld says whether the lock still keeps others out.
func stillHeld(h *hold.Hold) error {
	path, info, err := h.File()
	if err != nil {
		return err
	}
	return linked(path, info)
}
