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
	name    string // of the package, from the module's root
	dir     string // of the package
	temp    string
	binary  string        // the tests, every switched fault in them
	base    time.Duration // what the tests take without a fault
	faults  []fault       // those that can be planted
	covered map[string][][2]int
	rapid   bool // the tests have pgregory.net/rapid in them
}

// buildError says that a fault does not compile.
type buildError struct{ said string }

func (e *buildError) Error() string { return "building: " + e.said }

// memory bounds what a faulty program may take, in KiB of address space.
const memory = 6 << 20

func newLab(name string, chosen []fault) (*lab, error) {
	dir, err := filepath.Abs(name)
	if err != nil {
		return nil, err
	}
	temp, err := os.MkdirTemp("", "mutants")
	if err != nil {
		return nil, err
	}
	l := &lab{name: name, dir: dir, temp: temp, binary: filepath.Join(temp, "all.test")}
	if err := l.build(chosen); err == nil {
		err = l.measure()
		if err == nil {
			return l, nil
		}
		return nil, errors.Join(err, l.close())
	} else {
		return nil, errors.Join(err, l.close())
	}
}

func (l *lab) close() error { return os.RemoveAll(l.temp) }

var errorLine = regexp.MustCompile(`(?m)^(?:\.?/?)([^\s:]+\.go):(\d+):`)

// build makes the binary that holds every fault with a switch. A place where
// none fits is left out.
func (l *lab) build(chosen []fault) error {
	for range 10 {
		for i := range chosen {
			chosen[i].n = i + 1
		}
		switched := slices.DeleteFunc(slices.Clone(chosen), func(f fault) bool { return f.replacement != "" })
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
		before := len(chosen)
		chosen = slices.DeleteFunc(chosen, func(f fault) bool {
			return f.replacement == "" && bad[fmt.Sprintf("%s:%d", filepath.Base(f.file), f.line)]
		})
		if len(chosen) == before {
			return err
		}
	}
	return errors.New("too many places where no fault fits")
}

// compile builds the package's tests with the faults in it.
func (l *lab) compile(to string, faults []fault, switched bool) error {
	overlay := struct{ Replace map[string]string }{map[string]string{}}
	write := func(file string, text []byte) error {
		name := filepath.Join(l.temp, fmt.Sprintf("%d-%s", len(overlay.Replace), filepath.Base(file)))
		overlay.Replace[file] = name
		return os.WriteFile(name, text, 0o600)
	}
	files := map[string][]fault{}
	for _, f := range faults {
		files[f.file] = append(files[f.file], f)
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
		if err := write(file, plant(text, in)); err != nil {
			return err
		}
	}
	if switched && pack != "" {
		const variable = "// Code made by mutants; DO NOT EDIT.\n\npackage %s\n\nimport (\n\t\"os\"\n\t\"strconv\"\n)\n\n" +
			"var mutant = func() int { n, _ := strconv.Atoi(os.Getenv(\"MUTANT\")); return n }()\n"
		if err := write(filepath.Join(l.dir, "zz_mutant.go"), fmt.Appendf(nil, variable, pack)); err != nil {
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
	c := exec.Command("go", "test", "-c", "-vet=off", "-overlay", list, "-o", to, ".")
	c.Dir = l.dir
	if out, err := c.CombinedOutput(); err != nil {
		return &buildError{string(out)}
	}
	return nil
}

// plant puts faults into a file's text. Places lie inside each other or apart.
func plant(text []byte, faults []fault) []byte {
	type insertion struct {
		at, rank int // of those at one place the smaller rank comes first
		text     string
		skip     int
	}
	var all []insertion
	for _, f := range faults {
		if f.replacement != "" {
			all = append(all, insertion{f.from, 0, f.replacement, f.to - f.from})
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

// measure runs the tests without a fault, and learns which lines they reach.
func (l *lab) measure() error {
	help, _ := exec.Command(l.binary, "-help").CombinedOutput() // its exit code says nothing
	l.rapid = bytes.Contains(help, []byte("rapid.nofailfile"))
	began := time.Now()
	if noticed, said, err := l.runTests(l.binary, 0, 30*time.Minute); err != nil || noticed {
		return fmt.Errorf("the tests fail without a fault: %w\n%s", err, said)
	}
	l.base = time.Since(began)
	profile := filepath.Join(l.temp, "cover")
	c := exec.Command("go", "test", "-vet=off", "-count=1", "-coverprofile", profile, ".")
	c.Dir = l.dir
	if out, err := c.CombinedOutput(); err != nil {
		return fmt.Errorf("measuring coverage: %w\n%s", err, out)
	}
	text, err := os.ReadFile(profile)
	if err != nil {
		return err
	}
	l.covered = map[string][][2]int{}
	for _, m := range regexp.MustCompile(`(?m)^.*/([^/]+\.go):(\d+)\.\d+,(\d+)\.\d+ \d+ ([1-9]\d*)$`).FindAllSubmatch(text, -1) {
		from, _ := strconv.Atoi(string(m[2]))
		to, _ := strconv.Atoi(string(m[3]))
		l.covered[string(m[1])] = append(l.covered[string(m[1])], [2]int{from, to})
	}
	return nil
}

// tryOne plants one fault and says whether a test noticed it.
func (l *lab) tryOne(f fault) (noticed bool, why string, err error) {
	reached := slices.ContainsFunc(l.covered[filepath.Base(f.file)], func(r [2]int) bool { return r[0] <= f.line && f.line <= r[1] })
	if !reached && f.replacement == "" {
		return false, "  (no test comes here)", nil
	}
	binary, n := l.binary, f.n
	if f.replacement != "" {
		binary, n = filepath.Join(l.temp, "one.test"), 0
		if err := l.compile(binary, []fault{f}, false); err != nil {
			return false, "", err
		}
	}
	noticed, _, err = l.runTests(binary, n, 4*l.base+20*time.Second)
	return noticed, "", err
}

// runTests runs the test binary as go test would; noticed is that it failed,
// or took too long or too much.
func (l *lab) runTests(binary string, n int, limit time.Duration) (noticed bool, said string, err error) {
	arguments := []string{"-c", fmt.Sprintf("ulimit -v %d; exec \"$0\" \"$@\"", memory), binary, "-test.failfast", "-test.timeout", limit.String()}
	if l.rapid { // it would keep what it found in testdata
		arguments = append(arguments, "-rapid.nofailfile")
	}
	c := exec.Command("sh", arguments...)
	c.Dir = l.dir
	c.Env = append(os.Environ(), "MUTANT="+strconv.Itoa(n))
	out, err := c.CombinedOutput()
	var exit *exec.ExitError
	switch {
	case err == nil:
		return false, string(out), nil
	case errors.As(err, &exit):
		return true, string(out), nil
	}
	return false, "", err
}
