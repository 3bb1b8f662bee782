// Mutants plants small faults in packages of this module, one at a time, and
// tells which of them the package's own tests do not notice.
//
//	go run ./testdata/mutants [-n 100] [-seed 1] [-only TEXT] [-tests REGEXP] [-again] PACKAGE…
//
// Four kinds of fault are planted, as many of each: a comparison turned (or its
// border moved), a branch never taken, a call left out, a constant changed. The
// sample is drawn from a seed and is the same each time. No file of the module
// is changed: the go command is told of other text for it (-overlay). Faults
// that a switch can hold are all in one test binary; a number in a constant
// declaration needs a build of its own. Each test runs once without a fault, and
// tells to which faults it comes; a fault is tried with those tests only, the one
// that noticed it last time first, then the quick ones.
//
// A fault that no test notices is a gap, or it changes nothing. Those that
// change nothing stand in harmless.txt beside this file, each with its reason.
// Per package a line follows that says how many are left:
//
//	figure mutants.limits 2 of-100 <=5 ok
//
// The exit code is 1 where more than one in twenty is left.
package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"
)

func main() {
	var w wish
	flag.IntVar(&w.n, "n", 100, "faults a package")
	flag.Uint64Var(&w.seed, "seed", 1, "the sample's seed")
	flag.StringVar(&w.only, "only", "", "plant only faults whose name contains this")
	flag.StringVar(&w.tests, "tests", everyTest, "ask only tests whose name matches: fewer are quicker, and leave more faults")
	flag.BoolVar(&w.again, "again", false, "of the sample, only those faults that no test noticed in an earlier run: after new tests")
	flag.Parse()
	if flag.NArg() == 0 {
		fmt.Fprintln(os.Stderr, "usage: mutants [-n N] [-seed S] [-only TEXT] [-tests REGEXP] [-again] PACKAGE…")
		os.Exit(2)
	}
	short, err := run(flag.Args(), w)
	if err != nil {
		fmt.Fprintln(os.Stderr, "mutants:", err)
		os.Exit(1)
	}
	if short {
		os.Exit(1)
	}
}

// wish says which faults are tried, and with what.
type wish struct {
	n           int
	seed        uint64
	only, tests string
	again       bool
}

// choose draws the sample, or takes what is asked for by name.
func (w wish) choose(all []fault, m *memories) (chosen []fault, n int) {
	if w.only != "" {
		chosen = matching(all, w.only)
		return chosen, len(chosen)
	}
	chosen, n = sample(all, w.n+w.n/10+1, w.seed), w.n // some fit nowhere
	if w.again {
		chosen = slices.DeleteFunc(chosen[:min(n, len(chosen))], func(f fault) bool { return m.by[f.key] != "" })
		n = len(chosen)
	}
	return chosen, n
}

// run tries each package and says whether any has too many survivors.
func run(packages []string, w wish) (short bool, err error) {
	_, here, _, _ := runtime.Caller(0)
	listed, err := readHarmless(filepath.Join(filepath.Dir(here), "harmless.txt"))
	if err != nil {
		return false, err
	}
	keep := "" // without a place to keep it in, a run takes longer
	if dir, err := os.UserCacheDir(); err == nil {
		keep = filepath.Join(dir, "panecal-mutants")
	}
	var figures []string
	for _, name := range packages {
		name = filepath.ToSlash(filepath.Clean(name))
		all, err := find(name)
		if err != nil {
			return false, fmt.Errorf("%s: %w", name, err)
		}
		chosen, n := w.choose(all, readMemories(keep, name))
		r, err := trial{name: name, tests: w.tests, all: all, chosen: chosen, n: n, listed: listed, keep: keep}.run(os.Stdout)
		if err != nil {
			return false, fmt.Errorf("%s: %w", name, err)
		}
		line, tooMany := r.figure(name)
		figures = append(figures, line)
		short = short || tooMany
	}
	for _, f := range figures {
		fmt.Println(f)
	}
	return short, nil
}

// result counts what became of the faults of one package; left are those that
// neither a test nor the list explains.
type result struct {
	tried, noticed, harmless int
	left                     []fault
}

// figure is the line that says whether more than one in twenty is left.
func (r result) figure(name string) (line string, short bool) {
	goal, word := r.tried/20, "ok"
	if short = len(r.left) > goal; short {
		word = "short"
	}
	return fmt.Sprintf("figure mutants.%s %d of-%d <=%d %s", strings.ReplaceAll(name, "/", "."), len(r.left), r.tried, goal, word), short
}

// trial plants n of the chosen faults in a package, in their order.
type trial struct {
	name   string
	tests  string // that match it are asked
	all    []fault
	chosen []fault
	n      int
	listed map[string]string // why those that change nothing do not
	keep   string            // a folder that remembers who noticed what, or ""
}

const everyTest = "^(Test|Example|Fuzz)"

// run tells w what becomes of each fault.
func (t trial) run(w io.Writer) (r result, err error) {
	name, n, listed := t.name, t.n, t.listed
	l, err := newLab(name, t.tests, t.chosen)
	if err != nil {
		return r, err
	}
	defer l.close()
	fmt.Fprintf(w, "%s: %d of %d places; %d tests take %v of a processor\n", name, min(n, len(l.faults)), len(t.all), len(l.tests), l.whole().work.Round(time.Second/10))
	memories := readMemories(t.keep, name)
	for _, f := range l.faults {
		if r.tried == n {
			break
		}
		by, why, err := l.tryOne(f, memories.by[f.key])
		var broken *buildError
		if errors.As(err, &broken) {
			continue // such a fault cannot be planted there
		}
		if err != nil {
			return r, err
		}
		if r.tried++; r.tried%10 == 0 {
			fmt.Fprintf(w, "%s: %d of %d tried\n", name, r.tried, n)
			if err := memories.keep(); err != nil {
				return r, err
			}
		}
		switch reason, known := listed[f.key]; {
		case by != "":
			memories.by[f.key] = by
			r.noticed++
			if known {
				fmt.Fprintf(w, "  noticed all the same by %s: %s: take it out of harmless.txt\n", by, f.key)
			}
		case known:
			r.harmless++
			fmt.Fprintf(w, "  harmless  %s: %s\n", f.key, reason)
		default:
			r.left = append(r.left, f)
			fmt.Fprintf(w, "  survived  %s:%d  %s%s\n", filepath.Base(f.file), f.line, f.key, why)
		}
	}
	if err := memories.keep(); err != nil {
		return r, err
	}
	for _, key := range slices.Sorted(maps.Keys(listed)) {
		there := slices.ContainsFunc(t.all, func(f fault) bool { return f.key == key })
		if within, _, _ := strings.Cut(key, " "); path.Dir(within) == name && !there {
			fmt.Fprintf(w, "  no such place: %s: take it out of harmless.txt\n", key)
		}
	}
	fmt.Fprintf(w, "%s: %d planted, %d noticed, %d change nothing, %d unexplained\n", name, r.tried, r.noticed, r.harmless, len(r.left))
	return r, nil
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
