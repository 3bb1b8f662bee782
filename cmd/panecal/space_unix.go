//go:build unix

package main

import "golang.org/x/sys/unix"

// space is what an ordinary user may still write to the disk of folder, and
// how large it is, in bytes.
func space(folder string) (free, total uint64, err error) {
	var s unix.Statfs_t
	if err := unix.Statfs(folder, &s); err != nil {
		return 0, 0, err
	}
	return uint64(s.Bavail) * uint64(s.Bsize), uint64(s.Blocks) * uint64(s.Bsize), nil
}
