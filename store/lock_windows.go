package store

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// tryLock locks one byte far beyond the content, which stays readable by the
// process that wants to know the holder.
func tryLock(f *os.File) error {
	at := windows.Overlapped{OffsetHigh: 1}
	flags := uint32(windows.LOCKFILE_EXCLUSIVE_LOCK | windows.LOCKFILE_FAIL_IMMEDIATELY)
	err := windows.LockFileEx(windows.Handle(f.Fd()), flags, 0, 1, 0, &at)
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) || errors.Is(err, windows.ERROR_IO_PENDING) {
		return errLocked
	}
	return err
}

// unlock lets go of f's lock; so does closing f, some time later.
func unlock(f *os.File) error {
	return windows.UnlockFileEx(windows.Handle(f.Fd()), 0, 1, 0, &windows.Overlapped{OffsetHigh: 1})
}
