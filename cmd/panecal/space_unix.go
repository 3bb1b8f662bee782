//go:build unix

package main

import "golang.org/x/sys/unix"

// freeSpace is what an ordinary user may still write, in bytes.
func freeSpace(folder string) (uint64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(folder, &s); err != nil {
		return 0, err
	}
	return uint64(s.Bavail) * uint64(s.Bsize), nil
}
