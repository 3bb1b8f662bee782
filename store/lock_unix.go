//go:build unix

package store

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// tryLock locks f for this process until it is closed. The lock belongs to
// the open file, so that two stores in one process exclude each other too.
func tryLock(f *os.File) error {
	err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return errLocked
	}
	return err
}

// unlock lets go of f's lock. To close f is not enough: a child that is just
// being started has it open too, until it runs its own program.
func unlock(f *os.File) error { return unix.Flock(int(f.Fd()), unix.LOCK_UN) }
