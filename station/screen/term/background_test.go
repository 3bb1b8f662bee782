//go:build unix

package term_test

import (
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
// seconds. The process is this test binary.
func TestStartOnSilentTerminal(t *testing.T) {
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
	out, _ := io.ReadAll(terminal) // ends with an input/output error when the process has gone
	took := time.Since(began)
	if err := cmd.Wait(); err != nil {
		t.Fatal(err)
	}
	if got := strings.TrimSpace(string(out)); got != "started" {
		t.Errorf("the terminal got %q: it was asked something", got)
	}
	if took > 500*time.Millisecond {
		t.Errorf("start took %v", took)
	}
	t.Logf("start took %v", took)
}
