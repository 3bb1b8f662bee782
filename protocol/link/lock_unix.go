//go:build unix

package link

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// openLock opens a lock file, of another user too; a link in a shared folder
// is not followed.
func openLock(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|unix.O_NOFOLLOW, 0o666)
	if errors.Is(err, os.ErrPermission) {
		return os.OpenFile(path, os.O_RDONLY|unix.O_NOFOLLOW, 0)
	}
	return f, err
}

func tryLock(f *os.File) (bool, error) {
	err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return false, nil
	}
	return err == nil, err
}

// unlock lets go of the lock itself. Closing the file is not enough: a child
// that was just started holds the file, too, until it runs its own program.
func unlock(f *os.File) {
	_ = unix.Flock(int(f.Fd()), unix.LOCK_UN) // closing is next
}
