package strict

import (
	"fmt"
	"slices"
	"strings"
)

// Fault is one mistake in a file.
type Fault struct {
	File         string // as given to Decode
	Line, Column int    // from 1; the whole file is 1:1
	Path         string // the key, dotted, "" for the whole file
	Problem      string // what is wrong
	Mend         string // what to do about it
}

// Error gives file:line:column: problem; mend: what to do.
func (f *Fault) Error() string {
	return fmt.Sprintf("%s:%d:%d: %s; mend: %s", f.File, f.Line, f.Column, f.Problem, f.Mend)
}

// Faults are the mistakes of one file in the order of their places. As an
// error they read one a line, and errors.As finds the first Fault.
type Faults []*Fault

func (f Faults) Error() string {
	lines := make([]string, len(f))
	for i, one := range f {
		lines[i] = one.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap gives every fault to errors.Is and errors.As.
func (f Faults) Unwrap() []error {
	list := make([]error, len(f))
	for i, one := range f {
		list[i] = one
	}
	return list
}

func (f Faults) sort() {
	slices.SortStableFunc(f, func(a, b *Fault) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
}
