package station_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// TestFaultTable holds testdata/faults.txt against the source: each fault has
// a test that exists, or a reason why not.
func TestFaultTable(t *testing.T) {
	data, err := os.ReadFile("testdata/faults.txt")
	if err != nil {
		t.Fatal(err)
	}
	tests := map[string]map[string]bool{} // by folder
	rows, named, without := map[int]bool{}, map[string]bool{}, 0
	for i, line := range strings.Split(string(data), "\n") {
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		cells := strings.Split(line, " | ")
		if len(cells) != 4 {
			t.Errorf("line %d has %d cells", i+1, len(cells))
			continue
		}
		n, err := strconv.Atoi(cells[0])
		if err != nil || cells[1] == "" || strings.Trim(cells[2], "NSEM ") != "" {
			t.Errorf("line %d: %q", i+1, line)
		}
		if why, none := strings.CutPrefix(cells[3], "- "); none {
			without++
			if len(why) < 20 {
				t.Errorf("line %d gives no reason", i+1)
			}
			rows[n] = true
			continue
		}
		for _, test := range strings.Split(cells[3], ", ") {
			dot := strings.LastIndex(test, ".")
			if dot < 0 {
				t.Errorf("line %d: %q names no test", i+1, test)
				continue
			}
			folder, name := test[:dot], test[dot+1:]
			if tests[folder] == nil {
				tests[folder] = testsIn(t, filepath.Join("..", filepath.FromSlash(folder)))
			}
			if !tests[folder][name] {
				t.Errorf("line %d: there is no %s in %s", i+1, name, folder)
			}
			rows[n], named[test] = true, true
		}
	}
	for n := 1; n <= 58; n++ {
		if served := n >= 50 && n <= 54; rows[n] == served {
			t.Errorf("fault %d: listed %v", n, rows[n])
		}
	}
	t.Logf("%d faults, %d tests, %d without a test", len(rows), len(named), without)
}

// testsIn lists the tests of a folder's packages.
func testsIn(t *testing.T, folder string) map[string]bool {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(folder, "*_test.go"))
	if err != nil || len(files) == 0 {
		t.Errorf("no tests in %s", folder)
	}
	slices.Sort(files)
	found := map[string]bool{}
	for _, file := range files {
		f, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range f.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && fn.Recv == nil && strings.HasPrefix(fn.Name.Name, "Test") {
				found[fn.Name.Name] = true
			}
		}
	}
	return found
}
