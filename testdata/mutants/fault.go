package main

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"fmt"
	"go/ast"
	"go/build"
	"go/parser"
	"go/printer"
	"go/token"
	"go/types"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// The kinds of fault.
const (
	turned   = "turned"   // a comparison says the opposite
	border   = "border"   // a comparison includes its border, or no longer does
	branch   = "branch"   // a branch is never taken
	call     = "call"     // a call is left out
	constant = "constant" // a number is another
)

// fault is one place where a fault can be planted.
type fault struct {
	key  string // package, file, function, kind, text: the same while these are
	kind string
	file string // as the go command names it
	line int
	n    int // its switch, from 1

	from, to    int    // what is replaced, as offsets in the file
	before      string // put before, with %d for the switch
	after       string
	replacement string // instead of what stands there
	number      string // the type of a number that a switch can hold; else it takes a build of its own
}

// switched says whether the fault stands in the binary with all the others.
func (f *fault) switched() bool { return f.replacement == "" || f.number != "" }

// find lists every place of a package, in the order of the source.
func find(name string) ([]fault, error) {
	dir, err := filepath.Abs(name)
	if err != nil {
		return nil, err
	}
	p, err := build.ImportDir(dir, 0) // only what is built on this computer
	if err != nil {
		return nil, err
	}
	set := token.NewFileSet()
	var files []*ast.File
	for _, file := range p.GoFiles {
		f, err := parser.ParseFile(set, filepath.Join(dir, file), nil, parser.SkipObjectResolution|parser.ParseComments)
		if err != nil {
			return nil, err
		}
		files = append(files, f)
	}
	types, err := typesOf(dir, set, files)
	if err != nil {
		return nil, err
	}
	var all []fault
	for _, f := range files {
		path := set.File(f.FileStart).Name()
		text, err := os.ReadFile(path)
		if err != nil {
			return nil, err
		}
		s := search{set: set, name: name, path: path, text: text, types: types, imports: importNames(f)}
		for _, d := range f.Decls {
			s.in = place(d)
			s.walk(d, nil)
		}
		all = append(all, s.found...)
	}
	seen := map[string]int{}
	for i := range all {
		k := all[i].key
		if seen[k]++; seen[k] > 1 {
			all[i].key = fmt.Sprintf("%s #%d", k, seen[k])
		}
	}
	return all, nil
}

// place names the declaration that a fault is in.
func place(d ast.Decl) string {
	switch d := d.(type) {
	case *ast.FuncDecl:
		if d.Recv != nil && len(d.Recv.List) == 1 {
			var b bytes.Buffer
			if printer.Fprint(&b, token.NewFileSet(), d.Recv.List[0].Type) == nil {
				return strings.TrimPrefix(b.String(), "*") + "." + d.Name.Name
			}
		}
		return d.Name.Name
	case *ast.GenDecl:
		return d.Tok.String()
	}
	return ""
}

type search struct {
	set   *token.FileSet
	name  string // of the package
	path  string
	in    string
	text  []byte
	found []fault

	types   map[ast.Expr]types.TypeAndValue
	imports map[string]string // the file's name of a package, by path
}

func (s *search) at(p token.Pos) int { return s.set.Position(p).Offset }

func (s *search) source(n ast.Node) string { return string(s.text[s.at(n.Pos()):s.at(n.End())]) }

func (s *search) add(kind string, n ast.Node, f fault) {
	shown := strings.Join(strings.Fields(s.source(n)), " ")
	const most = 70
	if r := []rune(shown); len(r) > most {
		shown = string(r[:most]) + "…"
	}
	f.kind, f.file, f.line = kind, s.path, s.set.Position(n.Pos()).Line
	f.from, f.to = s.at(n.Pos()), s.at(n.End())
	f.key = fmt.Sprintf("%s/%s %s %s: %s", s.name, filepath.Base(s.path), s.in, kind, strings.ReplaceAll(shown, " | ", " ¦ "))
	if f.replacement != "" {
		f.key += " to " + f.replacement
	}
	s.found = append(s.found, f)
}

// walk looks at n, whose parents are given, and at what is in it.
func (s *search) walk(n ast.Node, parents []ast.Node) {
	var parent ast.Node
	if len(parents) > 0 {
		parent = parents[len(parents)-1]
	}
	switch n := n.(type) {
	case *ast.GenDecl:
		if n.Tok == token.CONST {
			s.constants(n)
			return // nothing in it can hold a switch
		}
		if n.Tok == token.IMPORT || n.Tok == token.TYPE {
			return
		}
	case *ast.ArrayType:
		return
	case *ast.BinaryExpr:
		s.comparison(n)
	case *ast.IfStmt:
		s.add(branch, n.Cond, fault{before: "(!mutantIs(%d) && (", after: "))"})
	case *ast.CaseClause:
		if len(parents) >= 2 {
			if sw, ok := parents[len(parents)-2].(*ast.SwitchStmt); ok && sw.Tag == nil {
				for _, e := range n.List {
					s.add(branch, e, fault{before: "(!mutantIs(%d) && (", after: "))"})
				}
			}
		}
	case *ast.ExprStmt:
		if c, ok := n.X.(*ast.CallExpr); ok && inBlock(parent) {
			if name, ok := c.Fun.(*ast.Ident); !ok || name.Name != "panic" {
				s.add(call, n, fault{before: "if !mutantIs(%d) { ", after: " }"})
			}
		}
	case *ast.DeferStmt:
		if inBlock(parent) {
			s.add(call, n, fault{before: "if !mutantIs(%d) { ", after: " }"})
		}
	case *ast.BasicLit:
		s.number(n, s.typeName(n))
	}
	inner := append(slices.Clone(parents), n)
	ast.Inspect(n, func(m ast.Node) bool {
		if m == nil || m == n {
			return m == n
		}
		s.walk(m, inner)
		return false
	})
}

func inBlock(n ast.Node) bool {
	switch n.(type) {
	case *ast.BlockStmt, *ast.CaseClause, *ast.CommClause:
		return true
	}
	return false
}

func (s *search) constants(d *ast.GenDecl) {
	ast.Inspect(d, func(n ast.Node) bool {
		if l, ok := n.(*ast.BasicLit); ok {
			s.number(l, "")
		}
		return true
	})
}

// comparison: `a < b` says the opposite; and, where reading a and b twice
// changes nothing, has its border moved.
func (s *search) comparison(e *ast.BinaryExpr) {
	switch e.Op {
	case token.EQL, token.NEQ, token.LSS, token.LEQ, token.GTR, token.GEQ:
		s.add(turned, e, fault{before: "((", after: ") != mutantIs(%d))"})
	}
	if callsIn(e) {
		return
	}
	same := fmt.Sprintf("(%s) == (%s)", oneLine(s.source(e.X)), oneLine(s.source(e.Y)))
	switch e.Op {
	case token.LSS, token.GTR:
		s.add(border, e, fault{before: "((", after: ") || mutantIs(%d) && " + same + ")"})
	case token.LEQ, token.GEQ:
		s.add(border, e, fault{before: "((", after: ") && !(mutantIs(%d) && " + same + "))"})
	}
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// callsIn says whether a function is called in e, other than len and the like.
func callsIn(e ast.Expr) bool {
	found := false
	ast.Inspect(e, func(n ast.Node) bool {
		if c, ok := n.(*ast.CallExpr); ok {
			name, plain := c.Fun.(*ast.Ident)
			if !plain || !slices.Contains([]string{"len", "cap", "min", "max", "int", "int64", "float64", "uint32"}, name.Name) {
				found = true
			}
		}
		return !found
	})
	return found
}

// number: an integer becomes the next one, another number half as much again.
func (s *search) number(l *ast.BasicLit, typeName string) {
	switch l.Kind {
	case token.INT:
		if v, err := strconv.ParseInt(l.Value, 0, 64); err == nil {
			s.add(constant, l, fault{replacement: strconv.FormatInt(v+1, 10), number: typeName})
		}
	case token.FLOAT:
		if v, err := strconv.ParseFloat(l.Value, 64); err == nil {
			s.add(constant, l, fault{replacement: strconv.FormatFloat(cmp.Or(v*1.5, 1), 'g', -1, 64), number: typeName})
		}
	}
}

// sample draws n faults, as many of each kind as there are; turned comparisons
// and moved borders are one kind. They come in the order of the draw. A fault's
// place there hangs on its name alone, so that a change elsewhere in the package
// leaves most of the sample as it was.
func sample(all []fault, n int, seed uint64) []fault {
	lot := map[string]string{}
	for _, f := range all {
		sum := sha256.Sum256(fmt.Appendf(nil, "%d %s", seed, f.key))
		lot[f.key] = string(sum[:])
	}
	all = slices.SortedFunc(slices.Values(all), func(a, b fault) int { return cmp.Compare(lot[a.key], lot[b.key]) })
	kinds := map[string][]fault{}
	var names []string
	for i := range all {
		k := all[i].kind
		if k == border {
			k = turned
		}
		if kinds[k] == nil {
			names = append(names, k)
		}
		kinds[k] = append(kinds[k], all[i])
	}
	slices.Sort(names)
	var chosen []fault
	for len(chosen) < min(n, len(all)) {
		for _, k := range names {
			if len(kinds[k]) > 0 && len(chosen) < n {
				chosen = append(chosen, kinds[k][0])
				kinds[k] = kinds[k][1:]
			}
		}
	}
	return chosen
}

// matching are all faults whose name has the text in it.
func matching(all []fault, text string) []fault {
	return slices.DeleteFunc(slices.Clone(all), func(f fault) bool { return !strings.Contains(f.key, text) })
}
