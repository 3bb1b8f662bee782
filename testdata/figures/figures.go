// Package figures is how a long proof ends: with a line for each thing that it
// counted, and what the count has to be.
//
//	figure crash.power.lost 0 states 0 ok
//
// The make target of a proof names a file, and prints it last. A test tells its
// figures in every run, of whatever size; in a short run they stand in its log
// only.
package figures

import (
	"fmt"
	"os"
	"strings"
	"testing"
)

// Kept tells whether the test has failed until here, for proofs that end at the
// first promise that is broken.
func Kept(t testing.TB, name string) {
	t.Helper()
	broken := 0
	if t.Failed() {
		broken = 1
	}
	Tell(t, name+".broken", broken, "promises", "0", broken == 0)
}

// Tell puts one figure down, and fails the test if it is not ok. Goal says what
// the value has to be, as in 0, >=600 or <=1.05. No word may have a space.
func Tell(t testing.TB, name string, value any, unit, goal string, ok bool) {
	t.Helper()
	word := "ok"
	if !ok {
		word = "short"
	}
	line := fmt.Sprintf("figure %s %v %s %s %s", name, value, unit, goal, word)
	if len(strings.Fields(line)) != 6 {
		t.Fatalf("a figure has six words: %q", line)
	}
	if ok {
		t.Log(line)
	} else {
		t.Error(line)
	}
	name = os.Getenv("PANECAL_FIGURES")
	if name == "" {
		return
	}
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_APPEND|os.O_CREATE, 0o644)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := fmt.Fprintln(f, line); err != nil {
		t.Error(err)
	}
	if err := f.Close(); err != nil {
		t.Error(err)
	}
}
