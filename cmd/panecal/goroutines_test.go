package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// TestGoroutines holds testdata/goroutines.txt against the source: it names
// every goroutine of the running station, what takes in its panics, and the
// test that lets it panic. A panic that nobody takes in ends the process with
// the terminal as it is.
func TestGoroutines(t *testing.T) {
	data, err := os.ReadFile("testdata/goroutines.txt")
	if err != nil {
		t.Fatal(err)
	}
	listed := map[string]bool{}
	for i, line := range strings.Split(string(data), "\n") {
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		cells := strings.Split(line, " | ")
		if len(cells) != 3 || len(cells[1]) < 10 {
			t.Errorf("line %d: place | what takes the panic in | test, or - and why none", i+1)
			continue
		}
		listed[cells[0]] = false
		if strings.HasPrefix(cells[2], "- ") {
			continue
		}
		folder, name, _ := strings.Cut(cells[2], ".")
		if !slices.Contains(functions(t, filepath.Join("../..", folder), "_test.go"), name) {
			t.Errorf("line %d: there is no test %s in %s", i+1, name, folder)
		}
	}
	for _, folder := range []string{"cmd/panecal", "station", "station/runner", "station/shift", "station/screen", "station/screen/term", "station/estimate", "protocol", "protocol/link", "store", "store/record"} {
		for _, place := range starts(t, folder) {
			if _, ok := listed[place]; !ok {
				t.Errorf("%s starts a goroutine that is not listed", place)
			}
			listed[place] = true
		}
	}
	for place, found := range listed {
		if !found {
			t.Errorf("%s starts none", place)
		}
	}
}

func sources(t *testing.T, folder, suffix string) []*ast.File {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(folder, "*.go"))
	if err != nil {
		t.Fatal(err)
	}
	var all []*ast.File
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") != (suffix == "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, f)
	}
	return all
}

func functions(t *testing.T, folder, suffix string) (names []string) {
	for _, f := range sources(t, folder, suffix) {
		for _, d := range f.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok {
				names = append(names, fn.Name.Name)
			}
		}
	}
	return names
}

// starts lists the functions of a folder that start a goroutine, as
// folder.receiver.function.
func starts(t *testing.T, folder string) (places []string) {
	for _, f := range sources(t, filepath.Join("../..", folder), ".go") {
		for _, d := range f.Decls {
			fn, ok := d.(*ast.FuncDecl)
			if !ok {
				continue
			}
			name := fn.Name.Name
			if fn.Recv != nil {
				typ := fn.Recv.List[0].Type
				if p, ok := typ.(*ast.StarExpr); ok {
					typ = p.X
				}
				name = typ.(*ast.Ident).Name + "." + name
			}
			ast.Inspect(fn, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.GoStmt:
					places = append(places, folder+"."+name)
				case *ast.CallExpr:
					if s, ok := n.Fun.(*ast.SelectorExpr); ok && (s.Sel.Name == "AfterFunc" || s.Sel.Name == "Go" && len(n.Args) == 1 && isFunc(n.Args[0])) {
						places = append(places, folder+"."+name)
					}
				}
				return true
			})
		}
	}
	return slices.Compact(places)
}

func isFunc(e ast.Expr) bool { _, ok := e.(*ast.FuncLit); return ok }
