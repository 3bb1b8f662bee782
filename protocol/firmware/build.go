package firmware

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
)

//go:embed kit/*.c kit/*.h host/*.c host/*.h fuzz/*.c example/*.c example/*.h
var sources embed.FS

// ErrNoCompiler says that there is no C compiler on this machine.
var ErrNoCompiler = errors.New("no C compiler: cc, gcc or clang")

// Flags are those that the kit compiles under without a warning.
func Flags() []string {
	return []string{"-std=c99", "-pedantic", "-Wall", "-Wextra", "-Werror"}
}

// BuildOptions say how the simulated unit is compiled; the zero value is the
// sound unit, without sanitizers.
type BuildOptions struct {
	Compiler string   // "" = the first of cc, gcc, clang
	Defect   string   // name of one of [Defects]; "" = none
	Flags    []string // more flags, as -fsanitize=address
}

// Build compiles the simulated unit into a program in a folder that exists
// and returns the program's path.
func Build(ctx context.Context, folder string, o BuildOptions) (program string, err error) {
	compiler := o.Compiler
	if compiler == "" {
		if compiler, err = findCompiler(); err != nil {
			return "", err
		}
	}
	from, name := filepath.Join(folder, "panecal-unit-source"), "panecal-unit"
	if o.Defect != "" {
		from, name = from+"-"+o.Defect, name+"-"+o.Defect
	}
	if err := Unpack(from, o.Defect); err != nil {
		return "", err
	}
	program = filepath.Join(folder, name)
	arguments := Flags()
	if o.Defect != "" {
		arguments = []string{"-std=c99"} // a defect may leave something unused
	}
	arguments = append(arguments, "-O1", "-I"+filepath.Join(from, "kit"), "-o", program)
	arguments = append(arguments, o.Flags...)
	for _, part := range []string{"kit", "host"} {
		files, err := filepath.Glob(filepath.Join(from, part, "*.c"))
		if err != nil {
			return "", fmt.Errorf("building the simulated unit: %w", err)
		}
		arguments = append(arguments, files...)
	}
	out, err := exec.CommandContext(ctx, compiler, append(arguments, "-lm")...).CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("building the simulated unit: %w\n%s", err, out)
	}
	return program, nil
}

func findCompiler() (string, error) {
	for _, name := range []string{"cc", "gcc", "clang"} {
		if path, err := exec.LookPath(name); err == nil {
			return path, nil
		}
	}
	return "", ErrNoCompiler
}

// Unpack writes the sources into a folder, which it makes, with the named
// defect worked in ("" = none).
func Unpack(folder, defect string) error {
	change := func(path string, text []byte) ([]byte, error) { return text, nil }
	if defect != "" {
		all, err := Defects()
		if err != nil {
			return err
		}
		d, ok := find(all, defect)
		if !ok {
			return fmt.Errorf("unpacking the sources: no defect %q", defect)
		}
		change = d.apply
	}
	return fs.WalkDir(sources, ".", func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		text, err := sources.ReadFile(path)
		if err == nil {
			text, err = change(path, text)
		}
		if err != nil {
			return fmt.Errorf("unpacking the sources: %w", err)
		}
		to := filepath.Join(folder, filepath.FromSlash(path))
		if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
			return fmt.Errorf("unpacking the sources: %w", err)
		}
		if err := os.WriteFile(to, text, 0o644); err != nil {
			return fmt.Errorf("unpacking the sources: %w", err)
		}
		return nil
	})
}
