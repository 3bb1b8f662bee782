package estimate_test

import (
	"fmt"
	"math"
	"os"
	"testing"

	"gonum.org/v1/gonum/mathext"

	"example.org/panecal/testdata/figures"
)

// wholeFaults tells whether the whole proof is wanted (make faults) or the
// part that every test run can afford.
func wholeFaults() bool { return os.Getenv("PANECAL_FAULTS") == "full" }

// faultSize picks the number of repetitions.
func faultSize(reduced, whole int) int {
	if wholeFaults() {
		return whole
	}
	return reduced
}

const faultSeed = 20260301

// goal is what a figure is held against.
type goal struct {
	sign  string
	value float64
}

func most(v float64) goal  { return goal{"<=", v} }
func least(v float64) goal { return goal{">=", v} }
func printed() goal        { return goal{sign: "-"} }

// figure prints a line of the proof, and fails the test where it is short.
func figure(t *testing.T, name string, v float64, unit string, g goal) {
	t.Helper()
	ok := g.sign == "-" || g.sign == "<=" && v <= g.value || g.sign == ">=" && v >= g.value
	want := "-"
	if g.sign != "-" {
		want = fmt.Sprintf("%s%.4g", g.sign, g.value)
	}
	figures.Tell(t, name, fmt.Sprintf("%.4g", v), unit, want, ok)
}

// poissonUpper is the largest count that a Poisson law of that mean stays
// within with chance p.
func poissonUpper(mean, p float64) float64 {
	k := math.Floor(mean)
	for mathext.GammaIncRegComp(k+1, mean) < p {
		k++
	}
	return k
}
