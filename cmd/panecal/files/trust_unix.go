//go:build unix

package files

import (
	"fmt"
	"io/fs"
	"os"
	"syscall"
)

// trusted says whether a file is one that only this user, or the system's
// administrator, can have written: what it says decides which ports are opened
// and which limits hold.
func trusted(path string, i fs.FileInfo) error {
	if i.Mode().Perm()&0o002 != 0 {
		return fmt.Errorf("%s may be written by everybody on this computer\n  mend: chmod o-w %s", path, path)
	}
	s, ok := i.Sys().(*syscall.Stat_t)
	if me := os.Geteuid(); ok && s.Uid != 0 && int(s.Uid) != me {
		return fmt.Errorf("%s belongs to user %d, this program runs as user %d\n  mend: chown %d %s", path, s.Uid, me, me, path)
	}
	return nil
}

// private says whether nobody else may read a file.
func private(path string, i fs.FileInfo) error {
	if i.Mode().Perm()&0o077 != 0 {
		return fmt.Errorf("%s may be read by others on this computer\n  mend: chmod 600 %s", path, path)
	}
	return nil
}
