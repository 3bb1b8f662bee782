package firmware_test

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"example.org/panecal/protocol/firmware"
	"example.org/panecal/testdata/figures"
)

// full tells whether the whole proof is wanted: make firmware.
func full() bool { return os.Getenv("PANECAL_FIRMWARE") == "full" }

// TestFuzzer lets libFuzzer look for a line that breaks the decoder: 20,000
// lines from one seed, and for a minute in `make firmware`. Each finding is
// printed as bytes that `fuzz/decoder.c` takes.
func TestFuzzer(t *testing.T) {
	t.Parallel()
	clang, err := exec.LookPath("clang")
	if errors.Is(err, exec.ErrNotFound) {
		t.Skip("no clang on this machine: TestMutations alone tries the decoder")
	}
	bound := "-runs=20000"
	if full() {
		bound = "-max_total_time=60"
	}
	from, dir := sources(t), t.TempDir()
	fuzzer := filepath.Join(dir, "fuzz")
	arguments := append(firmware.Flags(), "-O1", "-g", "-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all",
		"-I"+filepath.Join(from, "kit"), "-o", fuzzer, filepath.Join(from, "fuzz", "decoder.c"))
	arguments = append(arguments, must(filepath.Glob(filepath.Join(from, "kit", "*.c")))(t)...)
	if out, err := exec.CommandContext(t.Context(), clang, arguments...).CombinedOutput(); err != nil {
		if strings.Contains(string(out), "libclang_rt") {
			t.Skipf("clang is here without its fuzzer: TestMutations alone tries the decoder\n%s", out)
		}
		t.Fatalf("%v\n%s", err, out)
	}
	run := exec.CommandContext(t.Context(), fuzzer, "-seed=1", "-max_len=4096", "-timeout=10", "-print_final_stats=1", bound)
	run.Dir = dir
	out, err := run.CombinedOutput()
	text := string(out)
	if err != nil {
		for _, name := range must(filepath.Glob(filepath.Join(dir, "*-*")))(t) { // what the fuzzer kept of it
			t.Logf("%s: %x", filepath.Base(name), must(os.ReadFile(name))(t))
		}
		t.Fatalf("%v\n%s", err, text[max(0, len(text)-8000):])
	}
	stats := ""
	for line := range strings.Lines(text) {
		if strings.Contains(line, "number_of_executed_units") || strings.Contains(line, "new_units_added") {
			stats += strings.TrimSpace(line) + " "
		}
	}
	if stats == "" {
		t.Fatalf("the fuzzer says nothing of its runs:\n%s", text)
	}
	t.Logf("seed 1, %s: %s", bound, stats)
	figures.Tell(t, "firmware.fuzzer.findings", 0, "lines", "0", true) // one would have ended the program above
}
