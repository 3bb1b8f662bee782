package main

import (
	"os"
	"slices"
	"strings"
	"testing"
)

// What becomes of a few faults of package limits is known: what a person would
// notice is noticed; of what changes nothing, one stands in the list and is
// excused, and one that does not is left over. No file of the package is touched.
func TestKnownFaults(t *testing.T) {
	t.Chdir("../..")
	before, err := os.ReadFile("limits/judge.go")
	if err != nil {
		t.Fatal(err)
	}
	all, err := find("limits")
	if err != nil {
		t.Fatal(err)
	}
	t.Run("sample", func(t *testing.T) { testSample(t, all) })
	listed, err := readHarmless("testdata/mutants/harmless.txt")
	if err != nil {
		t.Fatal(err)
	}
	const (
		above    = `limits/judge.go Limit.side branch: l.High != nil && !(high <= *l.High)`
		exactly  = `limits/judge.go Limit.side border: high <= *l.High`
		turning  = `limits/judge.go File.JudgeAs turned: name == Passed`
		number   = `limits/judge.go outside constant: 0 to 1 #2`
		declared = `limits/read.go const constant: 32767 to 32768`
		equal    = `limits/judge.go conforming border: q >= p`
		unlisted = `limits/judge.go outside constant: 1 to 2`
		gone     = `limits/judge.go nowhere branch: true`
	)
	known := []string{above, exactly, turning, number, declared, equal, unlisted}
	chosen := slices.DeleteFunc(slices.Clone(all), func(f fault) bool { return !slices.Contains(known, f.key) })
	if len(chosen) != len(known) {
		t.Fatalf("%d of %d places are there", len(chosen), len(known))
	}
	var said strings.Builder
	r, err := trial{
		name: "limits", tests: "^(TestInstruction|TestExactlyOnTheLimit|TestLine|TestReadEdges|TestConformingEdges)$",
		all: all, chosen: chosen, n: len(chosen), keep: t.TempDir(),
		listed: map[string]string{equal: listed[equal], above: "a line too many", gone: "another"},
	}.run(&said)
	if err != nil {
		t.Fatal(err)
	}
	if r.tried != 7 || r.noticed != 5 || r.harmless != 1 || len(r.left) != 1 || r.left[0].key != unlisted {
		t.Errorf("%+v", r)
	}
	for _, want := range []string{
		"harmless  " + equal + ": " + listed[equal], "  " + unlisted + "\n",
		"noticed all the same by TestExactlyOnTheLimit: " + above, "no such place: " + gone,
	} {
		if !strings.Contains(said.String(), want) {
			t.Errorf("no %q in\n%s", want, &said)
		}
	}
	if after, err := os.ReadFile("limits/judge.go"); err != nil || string(after) != string(before) {
		t.Error("the source was changed", err)
	}
	if line, short := r.figure("limits"); line != "figure mutants.limits 1 of-7 <=0 short" || !short {
		t.Errorf("%q, %v", line, short)
	}
	if line, short := (result{tried: 100, left: make([]fault, 5)}).figure("station/estimate"); line != "figure mutants.station.estimate 5 of-100 <=5 ok" || short {
		t.Errorf("%q, %v", line, short)
	}
}

// testSample: it is the same each time, holds every kind, and most of it stays
// when other places come or go.
func testSample(t *testing.T, all []fault) {
	a, b := sample(all, 100, 1), sample(all[40:], 100, 1)
	if again := sample(all, 100, 1); !slices.Equal(a, again) {
		t.Error("another sample from the same seed")
	}
	kinds := map[string]int{}
	same := 0
	for _, f := range a {
		kinds[f.kind]++
		if slices.ContainsFunc(b, func(g fault) bool { return g.key == f.key }) {
			same++
		}
	}
	for _, k := range []string{branch, call, constant} {
		if kinds[k] < 20 {
			t.Errorf("%v", kinds)
		}
	}
	if kinds[turned]+kinds[border] < 20 || same < 80 {
		t.Errorf("%v; %d stayed", kinds, same)
	}
}
