package station_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.org/panecal/station"
)

// What is shown as it is comes from elsewhere: a sentence of our own has a
// code, or no other language could say it.
func TestNoSentenceIsVerbatim(t *testing.T) {
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	calls := 0
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(f, func(n ast.Node) bool {
			c, ok := n.(*ast.CallExpr)
			if !ok || len(c.Args) != 1 {
				return true
			}
			if id, ok := c.Fun.(*ast.Ident); !ok || id.Name != "Verbatim" {
				return true
			}
			calls++
			if _, literal := c.Args[0].(*ast.BasicLit); literal {
				t.Errorf("%s: a text of our own is said verbatim; give it a Reason", name)
			}
			return true
		})
	}
	if calls == 0 {
		t.Error("nothing looked at")
	}
}

// Every reason has a text, and none two.
func TestReasons(t *testing.T) {
	all := station.Reasons()
	for i, r := range all {
		if r.Text() == string(r) || slices.Contains(all[:i], r) {
			t.Errorf("%s: %q", r, r.Text())
		}
	}
	f, err := parser.ParseFile(token.NewFileSet(), "reason.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	constants := 0
	ast.Inspect(f, func(n ast.Node) bool {
		if v, ok := n.(*ast.ValueSpec); ok && len(v.Values) == 1 && strings.HasPrefix(v.Names[0].Name, "Reason") {
			constants++
		}
		return true
	})
	if constants != len(all) {
		t.Errorf("%d constants, %d texts", constants, len(all))
	}
}
