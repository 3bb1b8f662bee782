//go:build linux

package main

import (
	"bytes"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/station/screen"
)

// terminal is a program on a pseudo-terminal, as a person would use it.
type terminal struct {
	t    *testing.T
	file *os.File
	cmd  *exec.Cmd

	mu    sync.Mutex
	seen  bytes.Buffer
	more  chan struct{}
	bells int // heard so far
}

// startTerminal runs this program with args on a terminal of 80x24.
func startTerminal(t *testing.T, args ...string) *terminal {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	// The test binary is the program when it is called so; see TestMain.
	name := filepath.Join(t.TempDir(), "panecal")
	if err := os.Symlink(self, name); err != nil {
		t.Fatal(err)
	}
	x := &terminal{t: t, cmd: exec.Command(name, args...), more: make(chan struct{}, 1)}
	home := t.TempDir()
	x.cmd.Env = append(os.Environ(), "TERM=xterm-256color", "NO_COLOR=1", "TMPDIR="+home,
		"XDG_CONFIG_HOME="+home, "XDG_DATA_HOME="+home, "XDG_STATE_HOME="+home, "XDG_CACHE_HOME="+home)
	if x.file, err = pty.StartWithSize(x.cmd, &pty.Winsize{Rows: 24, Cols: 80}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { x.file.Close(); _ = x.cmd.Process.Kill() })
	go x.read()
	return x
}

func (x *terminal) read() {
	buf := make([]byte, 4096)
	for {
		n, err := x.file.Read(buf)
		x.mu.Lock()
		x.seen.Write(buf[:n])
		x.bells += bytes.Count(buf[:n], []byte("\a"))
		x.mu.Unlock()
		select {
		case x.more <- struct{}{}:
		default:
		}
		if err != nil {
			return
		}
	}
}

// wait returns when text has been written, and forgets what came before it.
func (x *terminal) wait(text string) {
	x.t.Helper()
	limit := time.After(time.Minute)
	for {
		x.mu.Lock()
		i := bytes.Index(x.seen.Bytes(), []byte(text))
		if i >= 0 {
			x.seen.Next(i + len(text))
		}
		x.mu.Unlock()
		if i >= 0 {
			return
		}
		select {
		case <-x.more:
		case <-limit:
			x.mu.Lock()
			defer x.mu.Unlock()
			x.t.Fatalf("never saw %q; the last of what came:\n%q", text, x.seen.Bytes())
		}
	}
}

func (x *terminal) enter(text string) {
	x.t.Helper()
	if _, err := io.WriteString(x.file, text); err != nil {
		x.t.Fatal(err)
	}
}

// press is a key of its own: with less silence before it, it would belong to
// what a scanner sent.
func (x *terminal) press(key string) {
	x.t.Helper()
	time.Sleep(2 * screen.Silence)
	x.enter(key)
}

// end waits for the program and returns its exit code.
func (x *terminal) end() int {
	err := x.cmd.Wait()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		x.t.Fatal(err)
	}
	return x.cmd.ProcessState.ExitCode()
}

// TestDemonstrationOnATerminal types a label, as a person would who tries the
// demonstration, and hangs up afterwards: the unit's verdict is on record.
func TestDemonstrationOnATerminal(t *testing.T) {
	x := startTerminal(t, "demo")
	x.wait("Scan the next label")
	x.enter("H54-00001-O\r")
	x.wait("H54-00001-O")
	x.wait("passed")
	if err := x.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if code := x.end(); code != cli.ExitInterrupt {
		t.Errorf("exit code %d, want %d", code, cli.ExitInterrupt)
	}
}
