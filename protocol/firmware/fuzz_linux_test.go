package firmware_test

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"example.org/panecal/protocol/firmware"
)

// TestFuzzer lets libFuzzer look for a line that breaks the decoder, for
// PANECAL_FUZZ_S seconds: 5, and 60 in `make test`. Each finding is printed as
// bytes that `fuzz/decoder.c` takes.
func TestFuzzer(t *testing.T) {
	t.Parallel()
	clang, err := exec.LookPath("clang")
	if errors.Is(err, exec.ErrNotFound) {
		t.Skip("no clang on this machine: TestMutations alone tries the decoder")
	}
	seconds := os.Getenv("PANECAL_FUZZ_S")
	if seconds == "" {
		seconds = "5"
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
	run := exec.CommandContext(t.Context(), fuzzer, "-seed=1", "-max_len=4096", "-timeout=10", "-print_final_stats=1", "-max_total_time="+seconds)
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
	t.Logf("seed 1, %s s: %s", seconds, stats)
}
