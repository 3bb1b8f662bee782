package main

import (
	"bytes"
	"flag"
	"fmt"
	"go/ast"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// TestImports compares what each of our packages imports with the golden
// table, so that a new arrow between packages, and a package that reaches for
// the world, is a decision and not an accident.
func TestImports(t *testing.T) {
	list := exec.Command("go", "list", "-f", "{{.ImportPath}} {{join .Imports \" \"}}", "example.org/panecal/...")
	list.Env = append(os.Environ(), "GOOS=linux", "GOARCH=amd64") // the same table everywhere
	list.Stderr = os.Stderr
	out, err := list.Output()
	if err != nil {
		t.Fatalf("listing packages: %v", err)
	}
	const module = "example.org/panecal/"
	var b bytes.Buffer
	for line := range strings.Lines(string(out)) {
		fields := strings.Fields(line)
		name := strings.TrimPrefix(fields[0], module)
		var ours, standard, others []string
		for _, f := range fields[1:] {
			first, _, _ := strings.Cut(f, "/")
			switch {
			case strings.HasPrefix(f, module):
				ours = append(ours, strings.TrimPrefix(f, module))
			case strings.Contains(first, "."):
				others = append(others, f)
			default:
				standard = append(standard, f)
			}
		}
		fmt.Fprintln(&b, name)
		for _, l := range []struct {
			kind  string
			names []string
		}{{"ours", ours}, {"standard", standard}, {"others", others}} {
			if len(l.names) > 0 {
				fmt.Fprintf(&b, "\t%s: %s\n", l.kind, strings.Join(l.names, " "))
			}
		}
		for _, f := range slices.Concat(ours, standard, others) {
			if slices.Contains(pure, name) && slices.Contains(world, f) {
				t.Errorf("%s imports %s: it is to stay pure", name, f)
			}
		}
	}
	golden(t, "testdata/imports.golden", b.Bytes())
}

// pure packages compute: what they do follows from what they are given.
var pure = []string{"limits/quantity", "station", "station/estimate", "station/label", "station/survey", "station/window"}

// world is what reaches beyond a pure package's arguments.
var world = []string{"crypto/rand", "io/fs", "log", "log/slog", "net", "os", "os/exec", "os/signal", "path/filepath", "runtime", "syscall",
	"protocol/link", "protocol/simunit", "station/runner", "station/screen", "store", "store/query"}

// TestNoClock: time comes to the pure packages inside their arguments.
func TestNoClock(t *testing.T) {
	clock := []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "NewTimer", "NewTicker", "Tick"}
	files := 0
	for _, folder := range pure {
		for _, f := range sources(t, "../../"+folder, ".go") {
			files++
			ast.Inspect(f, func(n ast.Node) bool {
				s, ok := n.(*ast.SelectorExpr)
				if !ok {
					return true
				}
				if x, ok := s.X.(*ast.Ident); ok && x.Name == "time" && slices.Contains(clock, s.Sel.Name) {
					t.Errorf("%s asks time.%s", folder, s.Sel.Name)
				}
				return true
			})
		}
	}
	if files < 50 {
		t.Errorf("only %d files were read", files)
	}
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
