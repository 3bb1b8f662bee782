//go:build unix

package guard

import (
	"fmt"
	"io/fs"
	"os"
	"syscall"
)

// Blind says that permissions cannot be read on this system.
const Blind = false

// own says whether only this user and the administrator may change a file, or
// what stands in a folder. In a folder with the sticky bit, as /tmp is, everybody
// may add, but nobody takes away or renames what belongs to others.
func own(path string, i fs.FileInfo) error {
	s, ok := i.Sys().(*syscall.Stat_t)
	me := os.Geteuid()
	owner := me
	if ok {
		owner = int(s.Uid)
	}
	if owner != 0 && owner != me {
		return fmt.Errorf("%s belongs to user %d, this program runs as user %d: %w\n  mend, as the administrator: chown %d %s", path, owner, me, ErrOpen, me, path)
	}
	sticky := i.IsDir() && i.Mode()&fs.ModeSticky != 0
	if open := i.Mode().Perm() & 0o022; open != 0 && !sticky {
		whom, flag := "its group", "g-w"
		switch open {
		case 0o002:
			whom, flag = "everybody on this computer", "o-w"
		case 0o022:
			whom, flag = "its group and everybody on this computer", "go-w"
		}
		return fmt.Errorf("%s may be written by %s: %w\n  mend, as user %d or the administrator: chmod %s %s", path, whom, ErrOpen, owner, flag, path)
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
