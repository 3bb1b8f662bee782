package study_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"example.org/panecal/limits/study"
	"example.org/panecal/testdata/figures"
)

// covered tells how often something held, and that it is the stated level less
// one percentage point at least. What is not reached by a formula that others
// prescribe is told by the whole run only.
func covered(t *testing.T, name string, hits, of int, level float64, prescribed bool) {
	t.Helper()
	share := float64(hits) / float64(of)
	if ok := share >= level-0.01; ok || !prescribed || os.Getenv("PANECAL_COVERAGE") != "" {
		figures.Tell(t, "coverage."+name, fmt.Sprintf("%.4f", share), "share", fmt.Sprintf(">=%.2f", level-0.01), ok)
	} else {
		t.Logf("%s covers %.4f, stated %.2f: the formula is a prescribed one", name, share, level)
	}
}

// tries is how many samples are drawn.
func tries() int {
	if os.Getenv("PANECAL_COVERAGE") != "" {
		return 200_000
	}
	return 5000
}

// moments are mean and standard deviation of a sample of n standard normal
// values, drawn as such: they are independent, and the variance is χ²/(n − 1).
func moments(r *rand.Rand, n int) (mean, sd float64) {
	chi := distuv.ChiSquared{K: float64(n - 1), Src: r}
	return r.NormFloat64() / math.Sqrt(float64(n)), math.Sqrt(chi.Rand() / float64(n-1))
}

// Tolerance intervals hold the share that they state as often as they state.
func TestCoverageOfTolerance(t *testing.T) {
	r := rand.New(rand.NewPCG(21, 1))
	z := distuv.UnitNormal
	for _, n := range []int{10, 30, 100} {
		for _, o := range []study.ToleranceOptions{{Coverage: 0.95, Confidence: 0.95, Sides: 1, Method: "exact"}, {Coverage: 0.99, Confidence: 0.9, Sides: 2, Method: "exact"},
			{Coverage: 0.95, Confidence: 0.95, Sides: 2, Method: "howe"}, {Coverage: 0.95, Confidence: 0.95, Sides: 1, Method: "howe"}} {
			f, err := study.NormalTolerance(n, math.NaN(), math.NaN(), o)
			if err != nil {
				t.Fatal(err)
			}
			k, hits := float64(f.K), 0
			for range tries() {
				mean, sd := moments(r, n)
				content := z.CDF(mean + k*sd)
				if o.Sides == 2 {
					content -= z.CDF(mean - k*sd)
				}
				if content >= o.Coverage {
					hits++
				}
			}
			covered(t, fmt.Sprintf("tolerance.%s%d.n%d", o.Method, o.Sides, n), hits, tries(), o.Confidence, false)
		}
	}
	// Without a distribution: of uniform values the content is a length.
	for _, n := range []int{100, 300} {
		o := study.ToleranceOptions{Coverage: 0.9, Confidence: 0.95, Sides: 2, Method: "free"}
		hits, few := 0, tries()/4
		x := make([]float64, n)
		for range few {
			for i := range x {
				x[i] = r.Float64()
			}
			f, err := study.SampleTolerance(study.NewSample(slices.Clone(x)), o)
			if err != nil {
				t.Fatal(err)
			}
			if float64(f.Upper-f.Lower) >= o.Coverage {
				hits++
			}
		}
		covered(t, fmt.Sprintf("tolerance.free2.n%d", n), hits, few, o.Confidence, false)
	}
}

// The bounds of the indices hold the process's own index as often as they state.
// Those of a one-sided index go by a normal approximation that is prescribed.
func TestCoverageOfCapability(t *testing.T) {
	r := rand.New(rand.NewPCG(21, 2))
	const lower, upper = -4.0, 4.5 // Cpk 4/3, Cpu 1.5, Cp 17/12 of a standard normal process
	for _, n := range []int{30, 100, 300} {
		for _, level := range []float64{0.9, 0.95} {
			var pp, ppk, ppu int
			for range tries() {
				mean, sd := moments(r, n)
				c := study.Process{Mean: mean, Within: sd, Overall: sd, N: n}.Capability(lower, upper, level)
				holds := func(b study.Bounds, true float64) int {
					if float64(b.Lower) <= true && true <= float64(b.Upper) {
						return 1
					}
					return 0
				}
				pp += holds(c.Pp, 17.0/12)
				ppk += holds(c.Ppk, 4.0/3)
				if float64(c.Ppu.Lower) <= 1.5 {
					ppu++
				}
			}
			at := fmt.Sprintf("n%d.c%02.0f", n, 100*level)
			covered(t, "pp."+at, pp, tries(), level, false)
			covered(t, "ppk."+at, ppk, tries(), level, false)
			covered(t, "ppu_lower."+at, ppu, tries(), level, true)
		}
	}
}
