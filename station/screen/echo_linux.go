package screen

import (
	"io"
	"os"

	"golang.org/x/sys/unix"
)

// echo says whether a terminal shows what is typed at it; for anything else it
// does nothing.
func echo(in io.Reader, on bool) error {
	f, ok := in.(*os.File)
	if !ok {
		return nil
	}
	t, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS)
	if err != nil {
		return nil // no terminal
	}
	t.Lflag &^= unix.ECHO
	if on {
		t.Lflag |= unix.ECHO
	}
	return unix.IoctlSetTermios(int(f.Fd()), unix.TCSETS, t)
}
