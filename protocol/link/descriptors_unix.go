//go:build unix

package link

import (
	"errors"
	"fmt"
	"os"
)

// mostDescriptor is the highest descriptor that a port may get. The library
// waits with select, whose sets end at 1024, and panics beyond; it opens a
// pipe beside the port.
const mostDescriptor = 1024 - 16

// roomForPort looks which descriptor a port opened now would get.
func roomForPort() error {
	f, err := os.Open(os.DevNull)
	if err != nil {
		return fmt.Errorf("too many files are open in this program: %w", err)
	}
	n := f.Fd()
	if n > mostDescriptor {
		err = errors.New("too many files are open in this program for another port: restart the station")
	}
	return errors.Join(err, f.Close())
}
