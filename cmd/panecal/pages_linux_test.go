package main

import (
	"cmp"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"example.org/panecal/testdata/figures"
)

// TestPages does what the pages say: the `sh` blocks of each page, as they
// stand there, one after the other in a fresh folder, with this program and
// its simulated units. Every block has to end well; where the text promises a
// failure, the block itself says with which code.
func TestPages(t *testing.T) {
	all := pages(t)
	ran := map[string]int{}
	blocks := 0
	for _, p := range all {
		script, lines := p.script()
		if len(lines) == 0 {
			continue
		}
		ran[p.path] = len(lines)
		blocks += len(lines)
		t.Run(strings.ReplaceAll(p.path, "/", "_"), func(t *testing.T) {
			t.Parallel() // they wait for light most of the time
			runPage(t, p, script, lines)
		})
	}
	for _, room := range rooms(t, all) {
		if ran[room] == 0 {
			t.Errorf("%s shows no command that is tried here", room)
		}
	}
	figures.Tell(t, "pages.blocks", blocks, "blocks", ">0", blocks > 0)
	t.Cleanup(func() { figures.Kept(t, "pages") })
}

// pageTime bounds what one page may take; none should need a tenth of it on
// an idle computer.
const pageTime = 4 * time.Minute

func runPage(t *testing.T, p page, script string, lines []int) {
	folder := t.TempDir()
	marks := filepath.Join(t.TempDir(), "ran")
	output, err := os.Create(filepath.Join(t.TempDir(), "output"))
	if err != nil {
		t.Fatal(err)
	}
	defer output.Close()
	ctx, cancel := context.WithTimeout(t.Context(), pageTime)
	defer cancel()
	c := exec.CommandContext(ctx, "sh")
	c.Dir = folder
	c.Stdin = strings.NewReader(script)
	c.Stdout, c.Stderr = output, output // a file: units in the background may keep it open
	path, err := programPath(t.TempDir(), os.Getenv("PATH"))
	if err != nil {
		t.Fatal(err)
	}
	c.Env = append(os.Environ(), "PATH="+path, "RAN="+marks, "TMPDIR="+t.TempDir(), "GORACE=atexit_sleep_ms=10", "NO_COLOR=1")
	for _, xdg := range []string{"CONFIG", "DATA", "STATE", "CACHE"} {
		c.Env = append(c.Env, "XDG_"+xdg+"_HOME="+t.TempDir())
	}
	// What a page leaves in the background ends with it.
	c.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	kill := func() error { return syscall.Kill(-c.Process.Pid, syscall.SIGKILL) }
	c.Cancel = kill
	failure := c.Run()
	if c.Process != nil {
		_ = kill()
	}
	did, _ := os.ReadFile(marks) // none where the first block failed
	done := strings.Count(string(did), "\n")
	if failure == nil && done == len(lines) {
		return
	}
	said, _ := os.ReadFile(output.Name())
	at := lines[min(done, len(lines)-1)]
	t.Errorf("%s:%d: the block that begins here failed: %v\n%s", p.path, at, cmp.Or(context.Cause(ctx), failure), said)
}
