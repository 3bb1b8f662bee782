package main

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// cost is what tests take without a fault: on the clock, and of the processors.
type cost struct{ wall, work time.Duration }

func (c *cost) add(d cost) { c.wall, c.work = c.wall+d.wall, c.work+d.work }

// reach is a test, what it takes alone, and the faults that it comes to.
type reach struct {
	name string
	cost
	faults map[int]bool
}

// group is tests that run in one process.
type group struct {
	names []string
	cost
}

// measure runs each test that matches alone, without a fault.
func (l *lab) measure(pattern string) error {
	help, _ := exec.Command(l.binary, "-help").CombinedOutput() // its exit code says nothing
	l.rapid = bytes.Contains(help, []byte("rapid.nofailfile"))
	list := exec.Command(l.binary, "-test.list", pattern)
	list.Dir = l.dir
	out, err := list.Output()
	if err != nil {
		return fmt.Errorf("listing the tests: %w", err)
	}
	for name := range strings.FieldsSeq(string(out)) {
		t := reach{name: name, faults: map[int]bool{}}
		file := filepath.Join(l.temp, "reach")
		noticed, said, used, err := l.runTests(l.binary, []string{name}, 0, cost{10 * time.Minute, 10 * time.Minute}, file)
		if err != nil || noticed {
			return fmt.Errorf("%s fails without a fault: %w\n%s", name, cmp.Or(err, errors.New("exit code")), said)
		}
		t.cost = used
		text, err := os.ReadFile(file)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		for word := range strings.FieldsSeq(string(text)) {
			n, err := strconv.Atoi(word)
			if err != nil {
				return err
			}
			t.faults[n] = true
		}
		if err := os.RemoveAll(file); err != nil {
			return err
		}
		l.tests = append(l.tests, t)
	}
	slices.SortStableFunc(l.tests, func(a, b reach) int { return cmp.Compare(a.work, b.work) })
	return nil
}

// whole is what all tests take.
func (l *lab) whole() (all cost) {
	for _, t := range l.tests {
		all.add(t.cost)
	}
	return all
}

// groups are the tests that come to a fault, the quickest first; but before
// them the one that noticed it last time. A fault without a switch may be reached by any.
func (l *lab) groups(f fault, last string) []group {
	const start = 100 * time.Millisecond // a process has to save as much
	var all []group
	for _, t := range l.tests {
		if f.switched() && !t.faults[f.n] {
			continue
		}
		if t.name == last {
			all = slices.Insert(all, 0, group{[]string{t.name}, t.cost})
			continue
		}
		i := len(all) - 1
		if i < 0 || all[i].names[0] == last || all[i].work+t.work > 20*start && t.work > start || t.work > 10*start {
			all = append(all, group{})
			i++
		}
		all[i].names = append(all[i].names, t.name)
		all[i].add(t.cost)
	}
	return all
}
