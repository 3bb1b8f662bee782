package screen

import (
	"io"
	"os"

	"golang.org/x/sys/windows"
)

// echo says whether a console shows what is typed at it; for anything else it
// does nothing.
func echo(in io.Reader, on bool) error {
	f, ok := in.(*os.File)
	if !ok {
		return nil
	}
	var mode uint32
	if err := windows.GetConsoleMode(windows.Handle(f.Fd()), &mode); err != nil {
		return nil // no console
	}
	mode &^= windows.ENABLE_ECHO_INPUT
	if on {
		mode |= windows.ENABLE_ECHO_INPUT
	}
	return windows.SetConsoleMode(windows.Handle(f.Fd()), mode)
}
