package desk_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"example.org/panecal/cmd/panecal/desk"
)

// benchmarked is the store that benchmarks read: that in PANECAL_HISTORY, as
// `panecal sim --history` writes it, or one of 2,000 attempts.
func benchmarked(b *testing.B) string {
	if dir := os.Getenv("PANECAL_HISTORY"); dir != "" {
		return filepath.Join(dir, "store")
	}
	dir := filepath.Join(b.TempDir(), "store")
	write(b, dir, 2000, 3)
	return dir
}

func BenchmarkTry(b *testing.B) {
	dir, path := benchmarked(b), candidate(b, "high = 0.012", "high = 0.006")
	b.ReportAllocs()
	for b.Loop() {
		if _, err := ask(b, dir, desk.NewTry, path, "--json", "--attempts", "all"); err != nil {
			b.Fatal(err)
		}
	}
}

// The same question asked of the sqlite3 command line: how many attempts a bin
// would hold under one other limit.
func BenchmarkTryBesideSQLite(b *testing.B) {
	tool, err := exec.LookPath("sqlite3")
	if err != nil {
		b.Skip("sqlite3 is not installed: the same question is not asked of it")
	}
	dir, folder := benchmarked(b), b.TempDir()
	table, base := filepath.Join(folder, "a.csv"), filepath.Join(folder, "a.db")
	if _, err := ask(b, dir, desk.NewExport, "--format", "csv", "--out", table, "--product", "hopper-54"); err != nil {
		b.Fatal(err)
	}
	if out, err := exec.Command(tool, base, ".mode csv", fmt.Sprintf(".import %q a", table)).CombinedOutput(); err != nil {
		b.Fatalf("%v: %s", err, out)
	}
	for b.Loop() {
		out, err := exec.Command(tool, base, `SELECT (CAST("leakage.max_high2" AS REAL) > 0.006), count(*) FROM a GROUP BY 1`).CombinedOutput()
		if err != nil || !strings.Contains(string(out), "|") {
			b.Fatalf("%v: %s", err, out)
		}
	}
}
