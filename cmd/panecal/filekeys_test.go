package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"
)

// TestFileKeys holds the pages against the program: every key that a file of
// ours may have (product, sheet, limits, configuration, keys) stands in a table
// of one page, with an example and what it means, and no table names a key that
// there is not.
func TestFileKeys(t *testing.T) {
	files := fileKeys(t)
	tables := keyTables(t)
	shared := map[string]bool{} // tables that several files have stand once
	for root, keys := range files {
		for other, same := range files {
			for _, k := range keys {
				if table, _, ok := strings.Cut(k, "."); ok && root != other && slices.Contains(same, k) {
					shared[table+"."] = true
				}
			}
		}
	}
	isShared := func(k string) bool {
		table, _, ok := strings.Cut(k, ".")
		return ok && shared[table+"."]
	}
	documented := map[string]bool{}
	for _, table := range tables {
		for _, k := range table.keys {
			documented[k] = true
			if !slices.ContainsFunc(slices.Collect(maps.Values(files)), func(keys []string) bool { return slices.Contains(keys, k) }) {
				t.Errorf("%s: no file has the key %s", table.where, k)
			}
		}
	}
	for _, root := range slices.Sorted(maps.Keys(files)) {
		own := slices.DeleteFunc(slices.Clone(files[root]), isShared)
		best, missing := keyTable{}, own
		for _, table := range tables {
			lacks := slices.DeleteFunc(slices.Clone(own), func(k string) bool { return slices.Contains(table.keys, k) })
			if len(lacks) < len(missing) {
				best, missing = table, lacks
			}
		}
		for _, k := range missing {
			t.Errorf("%s reads the key %s: add a row to the table %q of a page", root, k, best.where)
		}
		for _, k := range files[root] {
			if isShared(k) && !documented[k] {
				t.Errorf("%s reads the key %s: add a row to a table of a page", root, k)
			}
		}
		for _, k := range best.keys {
			if !slices.Contains(files[root], k) {
				t.Errorf("%s: %s has no key %s", best.where, root, k)
			}
		}
		t.Logf("%s: %d keys, in %q", root, len(files[root]), best.where)
	}
}

// keyTable is one table of keys on a page.
type keyTable struct {
	where string // page and heading
	keys  []string
}

// keyTables finds the tables whose first column is headed "key" and the second
// "example", and holds each example against its key.
func keyTables(t *testing.T) []keyTable {
	t.Helper()
	code := regexp.MustCompile("^`(.+)`$")
	var all []keyTable
	for _, p := range pages(t) {
		heading, inside := "", false
		for _, line := range p.prose() {
			if strings.HasPrefix(line, "#") {
				heading = strings.TrimSpace(strings.TrimLeft(line, "#"))
			}
			cells := strings.Split(strings.Trim(line, "| "), "|")
			for i := range cells {
				cells[i] = strings.TrimSpace(cells[i])
			}
			switch {
			case !strings.HasPrefix(line, "|"):
				inside = false
			case len(cells) >= 2 && cells[0] == "key" && cells[1] == "example":
				inside = true
				all = append(all, keyTable{where: p.path + ", " + heading})
			case inside && !strings.HasPrefix(cells[0], "---"):
				last := &all[len(all)-1]
				key, example := code.FindStringSubmatch(cells[0]), code.FindStringSubmatch(cells[1])
				if key == nil || example == nil {
					t.Errorf("%s: a row without key or example: %s", last.where, line)
					continue
				}
				if slices.Contains(last.keys, key[1]) {
					t.Errorf("%s: %s stands twice", last.where, key[1])
				}
				last.keys = append(last.keys, key[1])
				name := key[1][strings.LastIndex(key[1], ".")+1:]
				var v map[string]any
				if err := toml.Unmarshal([]byte(example[1]), &v); err != nil || len(v) != 1 || v[name] == nil && name != "NAME" {
					t.Errorf("%s: %s is no example of %s: %v", last.where, example[1], key[1], err)
				}
			}
		}
	}
	return all
}

// fileKeys reads from the source which keys our files have: from every struct
// with toml tags that no other one contains, dotted, NAME for a name of the
// file's own.
func fileKeys(t *testing.T) map[string][]string {
	t.Helper()
	structs, used := map[string]*ast.StructType{}, map[string]bool{}
	for _, folder := range []string{"cmd", "limits", "protocol", "station", "store"} {
		err := filepath.WalkDir("../../"+folder, func(path string, d fs.DirEntry, err error) error {
			if err != nil || filepath.Ext(path) != ".go" || strings.HasSuffix(path, "_test.go") {
				return err
			}
			f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
			if err != nil {
				return err
			}
			ast.Inspect(f, func(n ast.Node) bool {
				if spec, ok := n.(*ast.TypeSpec); ok {
					if s, ok := spec.Type.(*ast.StructType); ok && hasKeys(s) {
						structs[f.Name.Name+"."+spec.Name.Name] = s
					}
				}
				return true
			})
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	paths := map[string][]string{}
	var walk func(pkg string, s *ast.StructType, under string) []string
	walk = func(pkg string, s *ast.StructType, under string) []string {
		var keys []string
		for _, f := range s.Fields.List {
			key := tomlKey(f)
			if key == "" {
				continue
			}
			inner, in, named := elements(pkg, f.Type)
			if named {
				key += ".NAME"
			}
			if in != "" && structs[in] != nil {
				used[in] = true
				inner = structs[in]
				pkgIn, _, _ := strings.Cut(in, ".")
				keys = append(keys, walk(pkgIn, inner, under+key+".")...)
			} else if inner != nil {
				keys = append(keys, walk(pkg, inner, under+key+".")...)
			} else {
				keys = append(keys, strings.TrimSuffix(under+key, ".NAME"))
			}
		}
		return keys
	}
	for name, s := range structs {
		pkg, _, _ := strings.Cut(name, ".")
		paths[name] = walk(pkg, s, "")
	}
	maps.DeleteFunc(paths, func(name string, _ []string) bool { return used[name] })
	if len(paths) == 0 {
		t.Fatal("no file has keys")
	}
	return paths
}

// elements is the struct that a field holds, one or several, written there or
// by name; named where the file gives each a name of its own.
func elements(pkg string, e ast.Expr) (s *ast.StructType, name string, named bool) {
	switch e := e.(type) {
	case *ast.StructType:
		return e, "", false
	case *ast.Ident:
		return nil, pkg + "." + e.Name, false
	case *ast.SelectorExpr:
		if x, ok := e.X.(*ast.Ident); ok {
			return nil, x.Name + "." + e.Sel.Name, false
		}
	case *ast.StarExpr:
		return elements(pkg, e.X)
	case *ast.ArrayType:
		return elements(pkg, e.Elt)
	case *ast.MapType:
		s, name, _ = elements(pkg, e.Value)
		return s, name, true
	}
	return nil, "", false
}

func hasKeys(s *ast.StructType) bool {
	return slices.ContainsFunc(s.Fields.List, func(f *ast.Field) bool { return tomlKey(f) != "" })
}

func tomlKey(f *ast.Field) string {
	if f.Tag == nil {
		return ""
	}
	tag, err := strconv.Unquote(f.Tag.Value)
	if err != nil {
		return ""
	}
	key, _, _ := strings.Cut(reflect.StructTag(tag).Get("toml"), ",")
	return key
}
