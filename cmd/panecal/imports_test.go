package main

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// TestImports compares who imports whom of our packages with the golden table,
// so that a new arrow between packages is a decision and not an accident.
func TestImports(t *testing.T) {
	list := exec.Command("go", "list", "-f", "{{.ImportPath}} {{join .Imports \" \"}}", "example.org/panecal/...")
	list.Stderr = os.Stderr
	out, err := list.Output()
	if err != nil {
		t.Fatalf("listing packages: %v", err)
	}
	const module = "example.org/panecal/"
	var b bytes.Buffer
	for line := range strings.Lines(string(out)) {
		fields := strings.Fields(line)
		ours := []string{}
		for _, f := range fields[1:] {
			if strings.HasPrefix(f, module) {
				ours = append(ours, strings.TrimPrefix(f, module))
			}
		}
		slices.Sort(ours)
		fmt.Fprintf(&b, "%s: %s\n", strings.TrimPrefix(fields[0], module), strings.Join(ours, " "))
	}
	golden(t, "testdata/imports.golden", b.Bytes())
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	if *update {
		if err := os.WriteFile(name, got, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s differs; run with -update after checking that the change is meant\ngot:\n%s\nwant:\n%s", name, got, want)
	}
}
