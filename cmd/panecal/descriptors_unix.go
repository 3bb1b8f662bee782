//go:build unix

package main

import (
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// leastFiles is how many files must still be free to open at the start: a
// station opens about ten, and three for each nest.
const leastFiles = 256

// enoughFiles says what is wrong with the number of files that may be opened.
func enoughFiles() error {
	var limit unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_NOFILE, &limit); err != nil {
		return nil // where the system does not tell, the port that cannot be opened will
	}
	open := 16
	if d, err := os.ReadDir("/proc/self/fd"); err == nil {
		open = len(d)
	}
	if free := int64(limit.Cur) - int64(open); free < leastFiles {
		return fmt.Errorf("%d more files may be opened, the station wants %d: raise the limit (ulimit -n 1024), or close what this program was started with", max(free, 0), leastFiles)
	}
	return nil
}
