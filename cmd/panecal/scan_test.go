//go:build linux

package main

import (
	"os"
	"strings"
	"testing"

	"github.com/creack/pty"

	"example.org/panecal/cmd/panecal/cli"
)

// A scanner at the terminal: whatever it sends ends nothing, a key pressed
// alone does.
func TestScanOnATerminal(t *testing.T) {
	x := startTerminal(t, "scan")
	x.wait("Scan now")
	x.enter("\x02H54-00001-O\x03")
	x.wait("<STX>")
	x.wait("it can be used as it is")
	x.enter("\x03\x11H54\x1a-00001-O\r")
	x.wait("the control character 1A stands inside the text")
	x.wait("it would be refused")
	x.press("\x03")
	if code := x.end(); code != cli.ExitFailed {
		t.Errorf("exit code %d, want %d", code, cli.ExitFailed)
	}
}

// A scanner with a port of its own.
func TestScanOnAPort(t *testing.T) {
	scanner, port, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer scanner.Close()
	defer port.Close()
	x := startTerminal(t, "scan", "--port", port.Name(), "--count", "1", "--json")
	x.wait("Scan now")
	if _, err := scanner.WriteString("[)>\x1e06\x1dSH54-00001-O\x1e\x04\r"); err != nil {
		t.Fatal(err)
	}
	x.wait(`"serial":"H54-00001-O"`)
	if code := x.end(); code != cli.ExitDone {
		t.Errorf("exit code %d, want %d", code, cli.ExitDone)
	}
	if _, err := os.Stat(port.Name()); err != nil {
		t.Error(err)
	}
}

// What a person reads says when each byte came, without a line that is too
// long for a terminal.
func TestScanFitsATerminal(t *testing.T) {
	var out strings.Builder
	f := scanFlags{}
	err := f.listen(t.Context(), strings.NewReader("[)>\x1e06\x1dSH54-00001-O\x1d1TLOT-2025-W47-00001\x1e\x04\r\n"), &out, nil)
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(out.String()) {
		if len(line) > 81 {
			t.Errorf("%d characters: %q", len(line), line)
		}
	}
	if !strings.Contains(out.String(), "lot      LOT-2025-W47-00001") {
		t.Errorf("no lot:\n%s", out.String())
	}
}
