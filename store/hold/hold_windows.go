package hold

import (
	"errors"
	"io/fs"
	"os"

	"golang.org/x/sys/windows"
)

var errBusy = errors.New("busy")

func openFile(path string, mode fs.FileMode) (*os.File, error) {
	return os.OpenFile(path, os.O_RDWR|os.O_CREATE, mode)
}

// beyond is where one byte is locked, far behind the content, which stays
// readable by whoever wants to know the holder.
func beyond() *windows.Overlapped { return &windows.Overlapped{OffsetHigh: 1} }

func try(f *os.File) error {
	flags := uint32(windows.LOCKFILE_EXCLUSIVE_LOCK | windows.LOCKFILE_FAIL_IMMEDIATELY)
	err := windows.LockFileEx(windows.Handle(f.Fd()), flags, 0, 1, 0, beyond())
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) || errors.Is(err, windows.ERROR_IO_PENDING) {
		return errBusy
	}
	return err
}

// free lets go of f's lock; so does closing f, some time later.
func free(f *os.File) error { return windows.UnlockFileEx(windows.Handle(f.Fd()), 0, 1, 0, beyond()) }
