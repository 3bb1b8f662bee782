// Mutants plants small faults in packages of this module, one at a time, and
// tells which of them the package's own tests do not notice.
//
//	go run ./testdata/mutants [-n 100] [-seed 1] [-only KIND] PACKAGE…
//
// Four kinds of fault are planted, as many of each: a comparison turned (or its
// border moved), a branch never taken, a call left out, a constant changed. The
// sample is drawn from a seed and is the same each time. No file of the module
// is changed: the go command is told of other text for it (-overlay). Faults
// that a switch can hold are all in one test binary, which runs once for each; a
// constant needs a build of its own.
//
// A fault that no test notices is a gap, or it changes nothing. Those that
// change nothing stand in harmless.txt beside this file, each with its reason.
// Per package a line follows that says how many are left:
//
//	figure mutants.limits 2 unexplained <=5 ok
//
// The exit code is 1 where more than one in twenty is left.
package main

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"
)

func main() {
	n := flag.Int("n", 100, "faults a package")
	seed := flag.Uint64("seed", 1, "the sample's seed")
	only := flag.String("only", "", "plant only faults whose name contains this")
	flag.Parse()
	if flag.NArg() == 0 {
		fmt.Fprintln(os.Stderr, "usage: mutants [-n N] [-seed S] [-only TEXT] PACKAGE…")
		os.Exit(2)
	}
	short, err := run(flag.Args(), *n, *seed, *only)
	if err != nil {
		fmt.Fprintln(os.Stderr, "mutants:", err)
		os.Exit(1)
	}
	if short {
		os.Exit(1)
	}
}

// run tries each package and says whether any has too many survivors.
func run(packages []string, n int, seed uint64, only string) (short bool, err error) {
	_, here, _, _ := runtime.Caller(0)
	listed, err := readHarmless(filepath.Join(filepath.Dir(here), "harmless.txt"))
	if err != nil {
		return false, err
	}
	var figures []string
	for _, name := range packages {
		name = filepath.ToSlash(filepath.Clean(name))
		left, tried, err := try(name, n, seed, only, listed)
		if err != nil {
			return false, fmt.Errorf("%s: %w", name, err)
		}
		word := "ok"
		if goal := tried / 20; left > goal {
			word, short = "short", true
		}
		figures = append(figures, fmt.Sprintf("figure mutants.%s %d unexplained <=%d %s", strings.ReplaceAll(name, "/", "."), left, tried/20, word))
	}
	for _, f := range figures {
		fmt.Println(f)
	}
	return short, nil
}

// try plants the sample in one package; left is how many faults neither a test
// nor the list explains.
func try(name string, n int, seed uint64, only string, listed map[string]string) (left, tried int, err error) {
	all, err := find(name)
	if err != nil {
		return 0, 0, err
	}
	chosen := sample(all, n, seed)
	if only != "" {
		chosen = matching(all, only)
	}
	l, err := newLab(name, chosen)
	if err != nil {
		return 0, 0, err
	}
	defer l.close()
	fmt.Printf("%s: %d of %d places, seed %d; the tests take %v\n", name, len(l.faults), len(all), seed, l.base.Round(time.Second/10))
	killed, harmless := 0, 0
	for _, f := range l.faults {
		noticed, why, err := l.tryOne(f)
		var broken *buildError
		if errors.As(err, &broken) {
			continue // such a fault cannot be planted there
		}
		if err != nil {
			return 0, 0, err
		}
		tried++
		switch reason, known := listed[f.key]; {
		case noticed && known:
			fmt.Printf("  noticed all the same %s: take it out of harmless.txt\n", f.key)
			killed++
		case noticed:
			killed++
		case known:
			fmt.Printf("  harmless  %s: %s\n", f.key, reason)
			harmless++
		default:
			fmt.Printf("  survived  %s:%d  %s%s\n", filepath.Base(f.file), f.line, f.key, why)
			left++
		}
	}
	fmt.Printf("%s: %d planted, %d noticed, %d change nothing, %d unexplained\n", name, tried, killed, harmless, left)
	return left, tried, nil
}

// readHarmless reads the list: a line is a fault's name, a bar, the reason.
func readHarmless(name string) (map[string]string, error) {
	text, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	list := map[string]string{}
	for i, line := range strings.Split(string(text), "\n") {
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		key, reason, ok := strings.Cut(line, " | ")
		if !ok || strings.TrimSpace(reason) == "" {
			return nil, fmt.Errorf("%s:%d: a fault without a reason", name, i+1)
		}
		list[strings.TrimSpace(key)] = strings.TrimSpace(reason)
	}
	return list, nil
}
