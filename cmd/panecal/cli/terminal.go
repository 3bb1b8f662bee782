package cli

import (
	"io"
	"os"

	"github.com/charmbracelet/x/term"
)

// Terminal returns the terminal that v, a command's input or output, leads to;
// false for anything else. What is written to it steers it, so text from
// outside goes through the command's own writers.
func Terminal(v any) (*os.File, bool) {
	f, ok := Beneath(v).(*os.File)
	return f, ok && term.IsTerminal(f.Fd())
}

// Beneath returns what stands beneath the writer that makes a command's output
// visible: for screens, which do so themselves.
func Beneath(v any) any {
	if w, ok := v.(interface{ Unwrap() io.Writer }); ok {
		return w.Unwrap()
	}
	return v
}
