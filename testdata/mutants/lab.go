package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// lab tries the faults of one package.
type lab struct {
	name   string // of the package, from the module's root
	dir    string // of the package
	temp   string
	binary string  // the tests, every switched fault in them
	faults []fault // those that can be planted
	tests  []reach // the quickest first
	rapid  bool    // the tests have pgregory.net/rapid in them
}

// buildError says that a fault does not compile.
type buildError struct{ said string }

func (e *buildError) Error() string { return "building: " + e.said }

// memory bounds what a faulty program may take, in KiB of address space.
const memory = 6 << 20

func newLab(name, tests string, chosen []fault) (*lab, error) {
	dir, err := filepath.Abs(name)
	if err != nil {
		return nil, err
	}
	temp, err := os.MkdirTemp("", "mutants")
	if err != nil {
		return nil, err
	}
	l := &lab{name: name, dir: dir, temp: temp, binary: filepath.Join(temp, "all.test")}
	if err := l.build(chosen); err != nil {
		return nil, errors.Join(err, l.close())
	}
	if err := l.measure(tests); err != nil {
		return nil, errors.Join(err, l.close())
	}
	return l, nil
}

func (l *lab) close() error { return os.RemoveAll(l.temp) }

var errorLine = regexp.MustCompile(`(?m)^(?:\.?/?)([^\s:]+\.go):(\d+):`)

// build makes the binary that holds every fault with a switch. A number where
// no switch fits gets a build of its own, another place is left out.
func (l *lab) build(chosen []fault) error {
	for range 20 {
		for i := range chosen {
			chosen[i].n = i + 1
		}
		switched := slices.DeleteFunc(slices.Clone(chosen), func(f fault) bool { return !f.switched() })
		err := l.compile(l.binary, switched, true)
		var broken *buildError
		if !errors.As(err, &broken) {
			l.faults = chosen
			return err
		}
		bad := map[string]bool{}
		for _, m := range errorLine.FindAllStringSubmatch(broken.said, -1) {
			bad[filepath.Base(m[1])+":"+m[2]] = true
		}
		there := func(f fault) bool { return bad[fmt.Sprintf("%s:%d", filepath.Base(f.file), f.line)] }
		changed := false
		for i := range chosen {
			if chosen[i].number != "" && there(chosen[i]) {
				chosen[i].number, changed = "", true
			}
		}
		if changed {
			continue
		}
		before := len(chosen)
		chosen = slices.DeleteFunc(chosen, func(f fault) bool { return f.replacement == "" && there(f) })
		if len(chosen) == before {
			return err
		}
	}
	return errors.New("too many places where no fault fits")
}

// switchboard is the file that is added to the package: which fault is on, and
// where the tests come, a line a place.
const switchboard = `// Code made by mutants; DO NOT EDIT.

package %s

import (
	"os"
	"strconv"
	"sync/atomic"
)

var (
	mutant       = func() int { n, _ := strconv.Atoi(os.Getenv("MUTANT")); return n }()
	mutantReach  = os.Getenv("MUTANT_REACH")
	mutantsSeen  [%d]atomic.Bool
)

func mutantIs(n int) bool {
	if mutantReach != "" {
		mutantSeen(n)
	}
	return mutant == n
}

func mutantNumber[T any](n int, right, wrong T) T {
	if mutantIs(n) {
		return wrong
	}
	return right
}

func mutantSeen(n int) {
	if mutantsSeen[n].Swap(true) {
		return
	}
	f, err := os.OpenFile(mutantReach, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		panic(err)
	}
	defer f.Close()
	if _, err := f.WriteString(strconv.Itoa(n) + "\n"); err != nil {
		panic(err)
	}
}
`

// compile builds the package's tests with the faults in it.
func (l *lab) compile(to string, faults []fault, switched bool) error {
	overlay := struct{ Replace map[string]string }{map[string]string{}}
	write := func(file string, text []byte) error {
		name := filepath.Join(l.temp, fmt.Sprintf("%d-%s", len(overlay.Replace), filepath.Base(file)))
		overlay.Replace[file] = name
		return os.WriteFile(name, text, 0o600)
	}
	files, most := map[string][]fault{}, 0
	for _, f := range faults {
		files[f.file] = append(files[f.file], f)
		most = max(most, f.n)
	}
	pack := ""
	for file, in := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			return err
		}
		if m := regexp.MustCompile(`(?m)^package (\w+)`).FindSubmatch(text); m != nil {
			pack = string(m[1])
		}
		if err := write(file, plant(text, in, switched)); err != nil {
			return err
		}
	}
	if switched && pack != "" {
		if err := write(filepath.Join(l.dir, "zz_mutant.go"), fmt.Appendf(nil, switchboard, pack, most+1)); err != nil {
			return err
		}
	}
	j, err := json.Marshal(overlay)
	if err != nil {
		return err
	}
	list := filepath.Join(l.temp, "overlay.json")
	if err := os.WriteFile(list, j, 0o600); err != nil {
		return err
	}
	// -gcflags=-e: all errors, not the first ten.
	c := exec.Command("go", "test", "-c", "-vet=off", "-gcflags=-e", "-overlay", list, "-o", to, ".")
	c.Dir = l.dir
	if out, err := c.CombinedOutput(); err != nil {
		return &buildError{string(out)}
	}
	return nil
}

// plant puts faults into a file's text. Places lie inside each other or apart.
func plant(text []byte, faults []fault, switched bool) []byte {
	type insertion struct {
		at, rank int // of those at one place the smaller rank comes first
		text     string
		skip     int
	}
	var all []insertion
	for _, f := range faults {
		if f.replacement != "" {
			with := f.replacement
			if switched {
				with = fmt.Sprintf("mutantNumber(%d, %s(%s), %[2]s(%[4]s))", f.n, f.number, text[f.from:f.to], f.replacement)
			}
			all = append(all, insertion{f.from, 1 << 50, with, f.to - f.from}) // the innermost
			continue
		}
		put := func(s string) string {
			if strings.Contains(s, "%d") {
				return fmt.Sprintf(s, f.n)
			}
			return s
		}
		size := f.to - f.from
		all = append(all,
			insertion{f.from, 1<<40 - size<<12 - (len(f.before) << 2), put(f.before), 0}, // the outer one first
			insertion{f.to, -1<<40 + size<<12 + (len(f.before) << 2), put(f.after), 0})   // the inner one first, and ends before beginnings
	}
	slices.SortStableFunc(all, func(a, b insertion) int {
		return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.rank, b.rank))
	})
	var b bytes.Buffer
	at := 0
	for _, i := range all {
		b.Write(text[at:i.at])
		b.WriteString(i.text)
		at = i.at + i.skip
	}
	b.Write(text[at:])
	return b.Bytes()
}

// tryOne plants one fault and names the test that noticed it, or says why none
// did. The test that noticed it last time comes first.
func (l *lab) tryOne(f fault, last string) (by, why string, err error) {
	binary, n := l.binary, f.n
	if !f.switched() {
		binary, n = filepath.Join(l.temp, "one.test"), 0
		if err := l.compile(binary, []fault{f}, false); err != nil {
			return "", "", err
		}
	}
	groups := l.groups(f, last)
	if len(groups) == 0 {
		return "", "  (no test comes here)", nil
	}
	for _, g := range groups {
		noticed, said, _, err := l.runTests(binary, g.names, n, g.cost, "")
		if noticed && failing(said) == timeLimit { // was it only that the computer is busy?
			longer := cost{3*g.wall + 10*time.Second, g.work}
			noticed, said, _, err = l.runTests(binary, g.names, n, longer, "")
		}
		if err != nil {
			return "", "", err
		}
		if noticed {
			return failing(said), "", nil
		}
	}
	return "", "", nil
}

var failed = regexp.MustCompile(`(?m)^\s*--- FAIL: (\w+)`)

const timeLimit = "the time limit"

// failing names the test that failed: nothing where the program ended otherwise.
func failing(said string) string {
	if m := failed.FindStringSubmatch(said); m != nil {
		return m[1]
	}
	if strings.Contains(said, "panic: test timed out") {
		return timeLimit
	}
	return "the end of the program"
}

// runTests runs tests as go test would; noticed is that one failed, or took too
// much, or far longer than usual. The processor's time has its own limit: a test
// that works for ever ends soon, however busy the computer is. Where the tests
// come is told in the file reach, what they cost in used.
func (l *lab) runTests(binary string, names []string, n int, usual cost, reach string) (noticed bool, said string, used cost, err error) {
	arguments := []string{"-c", fmt.Sprintf("ulimit -v %d; ulimit -t %d; exec \"$0\" \"$@\"", memory, 5+int(3*usual.work.Seconds())), binary,
		"-test.failfast", "-test.timeout", (8*usual.wall + 40*time.Second).String(),
		"-test.run", "^(" + strings.Join(names, "|") + ")$"}
	if l.rapid { // it would keep what it found in testdata
		arguments = append(arguments, "-rapid.nofailfile")
	}
	c := exec.Command("sh", arguments...)
	c.Dir = l.dir
	c.Env = append(os.Environ(), "MUTANT="+strconv.Itoa(n), "MUTANT_REACH="+reach)
	began := time.Now()
	out, err := c.CombinedOutput()
	used.wall = time.Since(began)
	if s := c.ProcessState; s != nil {
		used.work = s.UserTime() + s.SystemTime()
	}
	var exit *exec.ExitError
	switch {
	case err == nil:
		return false, string(out), used, nil
	case errors.As(err, &exit):
		return true, string(out), used, nil
	}
	return false, "", used, err
}
