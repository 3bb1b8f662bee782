//go:build unix

package hold

import (
	"errors"
	"io/fs"
	"os"

	"golang.org/x/sys/unix"

	"example.org/panecal/limits/guard"
)

var errBusy = errors.New("busy")

// openFile opens the file, of another user too; a link in a shared folder is
// not followed.
func openFile(path string, mode fs.FileMode) (*os.File, error) {
	f, err := guard.Open(path, os.O_RDWR|os.O_CREATE|unix.O_NOFOLLOW, mode)
	if errors.Is(err, fs.ErrPermission) {
		if shared, rerr := guard.Open(path, os.O_RDONLY|unix.O_NOFOLLOW, 0); rerr == nil {
			return shared, nil
		}
	}
	return f, err
}

// try locks f until it is closed. The lock belongs to the open file, so that
// two holds in one process exclude each other too.
func try(f *os.File) error {
	err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return errBusy
	}
	return err
}

// free lets go of f's lock. To close f is not enough: a child that is just
// being started has it open too, until it runs its own program.
func free(f *os.File) error { return unix.Flock(int(f.Fd()), unix.LOCK_UN) }
