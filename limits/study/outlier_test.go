package study_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"example.org/panecal/limits/study"
	"example.org/panecal/testdata/figures"
)

// RankOf is the inverse of the percentile of type 8, and at the ends its plotting
// position (k − 1/3)/(n + 1/3).
func TestRankOf(t *testing.T) {
	s := study.NewSample([]float64{3, 1, 4, 1.5, 9, 2.6, 5, 3.5})
	for _, v := range []float64{1, 1.2, 2.6, 3, 3.25, 8.9, 9} {
		p := study.RankOf(s, v)
		back, err := study.NewPercentile(s, float64(p), 8)
		if err != nil || math.Abs(float64(back.Value)-v) > 1e-12 {
			t.Errorf("%g: at %g, where %g is: %v", v, p, back.Value, err)
		}
	}
	n := 8.0
	for _, c := range []struct{ v, want float64 }{{-5, (1 - 1.0/3) / (n + 1.0/3)}, {50, (n - 1.0/3) / (n + 1.0/3)}} {
		if got := float64(study.RankOf(s, c.v)); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%g: at %g, want %g", c.v, got, c.want)
		}
	}
	ties := study.NewSample([]float64{0, 0, 0, 0})
	if got := float64(study.RankOf(ties, 0)); math.Abs(got-0.5) > 1e-12 {
		t.Errorf("among its equals: %g, want 0.5", got)
	}
}

// draw gives units of correlated quantities: five factors and their own noise,
// the last third of them with the heavy tails of Student's t.
func drawUnits(r *rand.Rand, units, quantities int, heavy bool) [][]float64 {
	out := make([][]float64, units)
	tail := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: 4, Src: r}
	for i := range out {
		var factor [5]float64
		for k := range factor {
			factor[k] = r.NormFloat64()
		}
		for q := range quantities {
			noise := r.NormFloat64()
			if heavy && q%3 == 2 {
				noise = tail.Rand()
			}
			out[i] = append(out[i], 10+factor[q%5]+0.7*noise)
		}
	}
	return out
}

func names(n int) (out []string) {
	for q := range n {
		out = append(out, fmt.Sprintf("q%02d", q))
	}
	return out
}

// The false alarm is what it says, where a limit of the chi-square distribution
// accuses half: healthy units of the same kind, 100 of which are the population.
func TestOutlierFalseAlarm(t *testing.T) {
	trials, each := 4, 150
	if os.Getenv("PANECAL_CAUSES") != "" {
		trials, each = 60, 400
	}
	const quantities, units, alarm = 40, 100, 0.01
	limit := distuv.ChiSquared{K: quantities}.Quantile(1 - alarm)
	odd, chi, of := 0, 0, 0
	for seed := range trials {
		// Enough units for all 40 quantities would be 200; with 100 half are named as left out.
		r := rand.New(rand.NewPCG(11, uint64(seed)))
		all := drawUnits(r, units+each, quantities, seed%2 == 1)
		population := all[:units]
		var cov mat.SymDense
		flat := mat.NewDense(units, quantities, slices.Concat(population...))
		stat.CovarianceMatrix(&cov, flat, nil)
		var c mat.Cholesky
		c.Factorize(&cov)
		mean := make([]float64, quantities)
		for q := range mean {
			mean[q] = stat.Mean(mat.Col(nil, q, flat), nil)
		}
		neighbours := study.NewNeighbours(names(quantities), population)
		for _, u := range all[units:] {
			o, err := neighbours.Hold(u, alarm)
			if err != nil {
				t.Fatal(err)
			}
			if len(o.Used) != units/5 || len(o.TooMany) != quantities-units/5 {
				t.Fatalf("%d quantities used, %d too many", len(o.Used), len(o.TooMany))
			}
			if of++; o.Odd {
				odd++
			}
			if d := stat.Mahalanobis(mat.NewVecDense(quantities, u), mat.NewVecDense(quantities, mean), &c); d*d > limit {
				chi++
			}
		}
	}
	t.Logf("seed 11: %d healthy units, %d told odd (%.2f %%); by chi-square %d (%.0f %%)", of, odd, 100*float64(odd)/float64(of), chi, 100*float64(chi)/float64(of))
	// A full run has 24,000 units, of 60 populations.
	share := 100 * float64(odd) / float64(of)
	figures.Tell(t, "compare.false_alarm", fmt.Sprintf("%.2f", share), "%", "<=2", share <= 2)
	figures.Tell(t, "compare.chi_square", fmt.Sprintf("%.0f", 100*float64(chi)/float64(of)), "%", ">=30", float64(chi)/float64(of) >= 0.3)
}

// A unit that is odd in one quantity, or in how two go together, is found; what
// cannot be asked is named.
func TestOutlierFinds(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	population := drawUnits(r, 150, 10, false)
	for i := range population {
		population[i] = append(population[i], 5, math.NaN())
	}
	all := append(names(10), "same", "absent")
	healthy := slices.Clone(population[7])
	find := func(change func(u []float64)) study.Outlier {
		u := slices.Clone(healthy)
		change(u)
		o, err := study.NewNeighbours(all, population).Hold(u, 0.01)
		if err != nil {
			t.Fatal(err)
		}
		return o
	}
	o := find(func([]float64) {})
	if o.Odd || o.Units != 150 || len(o.Used) != 10 || !slices.Equal(o.NoSpread, []string{"same"}) || !slices.Equal(o.Unknown, []string{"absent"}) {
		t.Errorf("a unit of the population: %+v", o)
	}
	if o := find(func(u []float64) { u[4] += 9 }); !o.Odd || o.Used[0].Name != "q04" {
		t.Errorf("one quantity far out: %+v", o)
	}
	// q00 and q05 share a factor: each alone is some three standard deviations off.
	if o := find(func(u []float64) { u[0], u[5] = 10+4, 10-4 }); !o.Odd {
		t.Errorf("two that go against one another: %+v", o)
	}
	short := make([][]float64, 12)
	for i := range short {
		short[i] = population[i][:10]
	}
	if o, err := study.NewNeighbours(names(10), short).Hold(healthy[:10], 0.01); err != nil || len(o.Used) != 2 || len(o.TooMany) != 8 || o.Odd || o.Needs != 99 {
		t.Errorf("12 units: %+v, %v", o, err)
	}
	if o, err := study.NewNeighbours(names(2), nil).Hold(healthy[:2], 0.01); err != nil || o.Odd || len(o.Unknown) != 2 {
		t.Errorf("no population: %+v, %v", o, err)
	}
}
