// Elsewhere checks that the program compiles on the systems that it is not
// tested on, without compiling it: every package is type-checked from its
// source as the go command would choose the files there. `make cross` builds
// and links; this takes a twentieth of that on a computer with no build cache.
//
//	go run ./testdata/elsewhere windows/amd64 windows/arm64 linux/arm64
package main

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"strings"

	"golang.org/x/tools/go/packages"
)

const module = "example.org/panecal/"

func main() {
	here, err := os.Getwd()
	if err != nil {
		fmt.Fprintln(os.Stderr, "elsewhere:", err)
		os.Exit(1)
	}
	bad := len(os.Args) < 2
	for _, target := range os.Args[1:] {
		n, faults, err := check(here, target)
		if err != nil {
			faults = append(faults, err.Error())
		}
		for _, f := range faults {
			fmt.Fprintf(os.Stderr, "%s: %s\n", target, f)
		}
		if n == 0 || len(faults) > 0 {
			bad = true
		}
		fmt.Printf("types   %s: %d packages of ours\n", target, n)
	}
	if bad {
		os.Exit(1)
	}
}

// check says how many of our packages were checked, and what is wrong.
func check(here, target string) (n int, faults []string, err error) {
	system, processor, ok := strings.Cut(target, "/")
	if !ok {
		return 0, nil, fmt.Errorf("write SYSTEM/PROCESSOR")
	}
	c := &packages.Config{
		Mode: packages.NeedName | packages.NeedFiles | packages.NeedCompiledGoFiles | packages.NeedImports | packages.NeedDeps |
			packages.NeedTypes | packages.NeedSyntax | packages.NeedTypesInfo | packages.NeedTypesSizes,
		Env: append(os.Environ(), "GOOS="+system, "GOARCH="+processor, "CGO_ENABLED=0"),
		// Of what is not ours the declarations are enough.
		ParseFile: func(set *token.FileSet, name string, text []byte) (*ast.File, error) {
			f, err := parser.ParseFile(set, name, text, parser.SkipObjectResolution)
			if f != nil && !strings.HasPrefix(name, here+"/") {
				for _, d := range f.Decls {
					if fn, ok := d.(*ast.FuncDecl); ok {
						fn.Body = nil
					}
				}
			}
			return f, err
		},
	}
	all, err := packages.Load(c, "./...")
	if err != nil {
		return 0, nil, err
	}
	packages.Visit(all, nil, func(p *packages.Package) {
		if !strings.HasPrefix(p.PkgPath, module) {
			return
		}
		n++
		for _, e := range p.Errors {
			faults = append(faults, e.Error())
		}
	})
	return n, faults, nil
}
