//go:build unix

package term_test

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	_ "github.com/charmbracelet/bubbletea" // asks the terminal while it initialises
	"github.com/creack/pty"
)

const silentStart = "PANECAL_TEST_SILENT_START"

func TestMain(m *testing.M) {
	if os.Getenv(silentStart) != "" {
		fmt.Println("started")
		return
	}
	os.Exit(m.Run())
}

// A process that has the terminal library in it must start at once on a
// terminal that answers no question; without this package it takes five
// seconds. The process is this test binary. The best of three starts counts:
// the machine may be busy with other tests, a stall would be in each.
func TestStartOnSilentTerminal(t *testing.T) {
	best := time.Hour
	for range 3 {
		best = min(best, startOnSilentTerminal(t))
	}
	t.Logf("start took %v", best)
	if best > 500*time.Millisecond {
		t.Errorf("start took %v", best)
	}
}

func startOnSilentTerminal(t *testing.T) time.Duration {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), exe)
	cmd.Env = append(os.Environ(), silentStart+"=1", "TERM=xterm-256color", "CI=", "NO_COLOR=")
	began := time.Now()
	terminal, err := pty.Start(cmd)
	if err != nil {
		t.Fatal(err)
	}
	defer terminal.Close()
	lines := bufio.NewReader(terminal)
	first, err := lines.ReadString('\n')
	took := time.Since(began)
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.TrimSpace(first); got != "started" {
		t.Errorf("the terminal got %q: it was asked something", got)
	}
	_, _ = io.Copy(io.Discard, lines) // ends with an input/output error when the process has gone
	if err := cmd.Wait(); err != nil {
		t.Fatal(err)
	}
	return took
}
