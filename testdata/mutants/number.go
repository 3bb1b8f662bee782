package main

import (
	"bytes"
	"errors"
	"fmt"
	"go/ast"
	"go/importer"
	"go/token"
	"go/types"
	"io"
	"os"
	"os/exec"
	"path"
	"strconv"
)

// typesOf tells the type of each expression: only a number whose type can be
// written down can be changed by a switch.
func typesOf(dir string, set *token.FileSet, files []*ast.File) (map[ast.Expr]types.TypeAndValue, error) {
	c := exec.Command("go", "list", "-export", "-deps", "-f", "{{.ImportPath}}\t{{.Export}}", ".")
	c.Dir = dir
	c.Stderr = os.Stderr
	out, err := c.Output()
	if err != nil {
		return nil, fmt.Errorf("listing what %s imports: %w", dir, err)
	}
	compiled := map[string]string{}
	for line := range bytes.Lines(out) {
		name, file, _ := bytes.Cut(bytes.TrimSpace(line), []byte("\t"))
		compiled[string(name)] = string(file)
	}
	config := types.Config{Importer: importer.ForCompiler(set, "gc", func(name string) (io.ReadCloser, error) {
		if compiled[name] == "" {
			return nil, errors.New("not compiled")
		}
		return os.Open(compiled[name])
	})}
	info := types.Info{Types: map[ast.Expr]types.TypeAndValue{}}
	if _, err := config.Check("", set, files, &info); err != nil {
		return nil, err
	}
	return info.Types, nil
}

func importNames(f *ast.File) map[string]string {
	names := map[string]string{}
	for _, i := range f.Imports {
		p, err := strconv.Unquote(i.Path.Value)
		if err != nil {
			continue
		}
		if names[p] = path.Base(p); i.Name != nil {
			names[p] = i.Name.Name
		}
	}
	return names
}

// typeName is a number's type as this file writes it, or nothing.
func (s *search) typeName(l *ast.BasicLit) string {
	t := s.types[l].Type
	if t == nil {
		return ""
	}
	if b, ok := t.(*types.Basic); ok && b.Info()&types.IsUntyped != 0 {
		return ""
	}
	if _, ok := types.Unalias(t).(*types.TypeParam); ok {
		return ""
	}
	if _, ok := t.Underlying().(*types.Basic); !ok {
		return ""
	}
	strange := false
	name := types.TypeString(t, func(p *types.Package) string {
		if p.Path() == "" {
			return ""
		}
		n, ok := s.imports[p.Path()]
		strange = strange || !ok || n == "_" || n == "."
		return n
	})
	if strange {
		return ""
	}
	return name
}
