package firmware_test

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/conform"
	"example.org/panecal/protocol/firmware"
)

// pipes are a line to a program's standard input and output.
type pipes struct{ from, to *os.File }

func (p pipes) Read(b []byte) (int, error)            { return p.from.Read(b) }
func (p pipes) Write(b []byte) (int, error)           { return p.to.Write(b) }
func (p pipes) SetReadDeadline(until time.Time) error { return p.from.SetReadDeadline(until) }

// exampleWord is the flash word of the tests that want no other, in bytes.
const exampleWord = 8

// startExample compiles the example of a port with its desk for flash of that
// word, and starts it with an empty flash.
func startExample(t *testing.T, word int, flags ...string) protocol.Port {
	t.Helper()
	from, dir := sources(t), t.TempDir()
	program, flash := filepath.Join(dir, "example"), filepath.Join(dir, "flash")
	arguments := append(append(firmware.Flags(), flags...), "-Wconversion", fmt.Sprintf("-DBOARD_WORD=%du", word),
		"-I"+filepath.Join(from, "kit"), "-I"+filepath.Join(from, "example"), "-o", program)
	for _, part := range []string{"kit", "example"} {
		arguments = append(arguments, must(filepath.Glob(filepath.Join(from, part, "*.c")))(t)...)
	}
	compile(t, "gcc", arguments...)
	if err := os.WriteFile(flash, bytes.Repeat([]byte{0xff}, 1<<16), 0o644); err != nil {
		t.Fatal(err)
	}
	hisIn, ourOut, err1 := os.Pipe()
	ourIn, hisOut, err2 := os.Pipe()
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	var said bytes.Buffer
	c := exec.Command(program)
	c.Env, c.Stdin, c.Stdout, c.Stderr = append(os.Environ(), "FLASH="+flash), hisIn, hisOut, &said
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	hisIn.Close()
	hisOut.Close()
	t.Cleanup(func() {
		ourOut.Close() // it ends then
		if err := c.Wait(); err != nil || said.Len() > 0 {
			t.Errorf("the example ended with %v and said %q", err, said.String())
		}
		ourIn.Close()
	})
	return pipes{ourIn, ourOut}
}

// TestExample tries the example of a port against the specification: all of
// it in full, else what its own code does.
func TestExample(t *testing.T) {
	t.Parallel()
	var flags []string
	if full() {
		flags = sanitizers
	}
	o := conform.Options{Port: startExample(t, exampleWord, flags...), Busy: conform.Busy, Seed: 1, Only: []string{"5.4.2", "5.6.10", "5.7.1"}}
	if full() {
		o.Only = nil
	}
	report, err := conform.Run(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	if !report.OK() || report.Passed < 30 {
		report.WriteText(os.Stdout)
		t.Errorf("%d clauses passed, %d failed", report.Passed, report.Failed)
	}
}

// TestExampleFlash writes blocks into flash of words of many sizes, and reads
// them back after a restart: of one size, and of four in `make firmware`.
func TestExampleFlash(t *testing.T) {
	t.Parallel()
	words := []int{exampleWord}
	if full() {
		words = []int{4, exampleWord, 16, 32}
	}
	for _, word := range words {
		t.Run(fmt.Sprint(word), func(t *testing.T) {
			t.Parallel()
			c := protocol.NewClient(startExample(t, word), protocol.Options{Grace: time.Second})
			ctx := t.Context()
			id := must(c.Identify(ctx))(t)
			for n := range 3 {
				want := block(t, id, protocol.Written, float64(n))
				if err := c.Stage(ctx, want); err != nil {
					t.Fatal(err)
				}
				if err := c.Commit(ctx, want); err != nil {
					t.Fatal(err)
				}
				if err := c.Restart(ctx); err != nil {
					t.Fatal(err)
				}
				reidentify(t, c)
				if got := must(c.ReadConstants(ctx))(t); !slices.Equal(got, want) {
					t.Errorf("block %d: %d bytes written, %d others read back after a restart", n, len(want), len(got))
				}
			}
		})
	}
}

// TestCortex compiles kit and example for the smallest of the usual
// processors, warnings as errors: `make firmware` alone does it.
func TestCortex(t *testing.T) {
	t.Parallel()
	if !full() {
		t.Skip("left to make firmware")
	}
	const cross = "arm-none-eabi-gcc"
	if _, err := exec.LookPath(cross); err != nil {
		t.Skipf("skipped: no %s on this machine, so kit and example were not compiled for cortex-m0", cross)
	}
	from, out := sources(t), t.TempDir()
	files := must(filepath.Glob(filepath.Join(from, "kit", "*.c")))(t)
	kit := len(files)
	files = append(files, filepath.Join(from, "example", "port.c"), filepath.Join(from, "example", "pageflash.c"))
	var objects []string
	for _, file := range files {
		object := filepath.Join(out, filepath.Base(file)+".o")
		compile(t, cross, append(firmware.Flags(), "-mcpu=cortex-m0", "-mthumb", "-Wconversion", "-Wsign-compare", "-Os",
			"-I"+filepath.Join(from, "kit"), "-I"+filepath.Join(from, "example"), "-c", file, "-o", object)...)
		objects = append(objects, object)
	}
	size := func(objects []string) (code int) {
		for _, object := range objects {
			var text, data int
			lines := strings.Split(string(must(exec.Command("arm-none-eabi-size", object).Output())(t)), "\n")
			if _, err := fmt.Sscan(lines[1], &text, &data); err != nil {
				t.Fatal(err)
			}
			code += text + data
		}
		return code
	}
	code := size(objects[:kit])
	t.Logf("cortex-m0, -Os: the kit alone %d bytes of code", code)
	if code == 0 || code >= 8192 {
		t.Errorf("the kit's code is %d bytes of 8192", code)
	}
	// The shot interrupt must not divide: this processor calls a function for it.
	listing := string(must(exec.Command("arm-none-eabi-objdump", "-dr", objects[kit]).Output())(t))
	_, body, _ := strings.Cut(listing, "<shot_interrupt>:")
	body, _, _ = strings.Cut(body, "\n\n")
	if len(body) == 0 || strings.Contains(body, "div") {
		t.Errorf("the shot interrupt of the example divides, or is gone:\n%s", body)
	}
}
