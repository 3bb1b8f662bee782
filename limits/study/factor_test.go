package study_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"example.org/panecal/limits/study"
)

// TestFactorTables holds exact factors against whole printed tables: one-sided
// Montgomery and Runger, Applied Statistics and Probability for Engineers, 7th
// ed., Table XII; two-sided Meeker, Hahn and Escobar, Statistical Intervals,
// 2nd ed., Table J.5b. The tolerance is half a unit of the last printed place.
func TestFactorTables(t *testing.T) {
	for _, c := range []struct {
		file  string
		sides int
		rows  int
	}{{"montgomery-runger-xii-one-sided-a", 1, 171}, {"meeker-j5b-two-sided", 2, 210}} {
		rows := table(t, c.file)
		if len(rows) != c.rows {
			t.Errorf("%s: %d rows, want %d", c.file, len(rows), c.rows)
		}
		for _, r := range rows {
			n := int(number(t, r["n"]))
			o := study.ToleranceOptions{Coverage: number(t, r["P"]), Confidence: number(t, r["confidence"]), Sides: c.sides, Method: "exact"}
			got, err := study.NormalTolerance(n, 0, 1, o)
			if err != nil {
				t.Fatal(err)
			}
			_, decimals, _ := strings.Cut(r["k"], ".")
			half := 0.5 * math.Pow10(-len(decimals))
			if off := math.Abs(float64(got.K) - number(t, r["k"])); !(off <= half*(1+1e-9)) {
				t.Errorf("%s: n %d, coverage %s, confidence %s: k %.9g, table %s", c.file, n, r["P"], r["confidence"], got.K, r["k"])
			}
		}
	}
}

// TestFactorDigits holds factors against an independent computation with 25
// digits (mpmath 1.3 quadrature of the defining integrals).
func TestFactorDigits(t *testing.T) {
	for _, c := range []struct {
		n, sides int
		want     float64
	}{
		{2, 1, 26.25967398303449}, {5, 1, 4.202680741256178}, {43, 1, 2.104809996621274},
		{2, 2, 36.51921461206071}, {5, 2, 5.0768745320594}, {43, 2, 2.425376527370808},
	} {
		got, err := study.NormalTolerance(c.n, 0, 1, study.ToleranceOptions{Coverage: 0.95, Confidence: 0.95, Sides: c.sides, Method: "exact"})
		if err != nil {
			t.Fatal(err)
		}
		if off := math.Abs(float64(got.K)/c.want - 1); off > 1e-13 {
			t.Errorf("n %d, %d sides: %.16g, want %.16g", c.n, c.sides, got.K, c.want)
		}
	}
}

func TestFactorLimits(t *testing.T) {
	// With very many values the interval is that of the population.
	for sides, want := range map[int]float64{1: 1.2815515655446004, 2: 1.6448536269514722} {
		got, err := study.NormalTolerance(100_000_000, 0, 1, study.ToleranceOptions{Coverage: 0.90, Confidence: 0.5, Sides: sides, Method: "exact"})
		if err != nil || math.Abs(float64(got.K)-want) > 1e-6 {
			t.Errorf("%d sides: %v, %v; want %v", sides, got.K, err, want)
		}
	}
	// Less than half of the population on one side: the bound lies beyond the mean.
	got, err := study.NormalTolerance(20, 10, 1, study.ToleranceOptions{Coverage: 0.1, Confidence: 0.6, Sides: 1, Method: "exact"})
	if err != nil || !(got.K < 0 && got.Upper < got.Lower) {
		t.Errorf("coverage 0.1: %+v, %v", got, err)
	}
	if _, err := study.NormalTolerance(2, 0, 1, study.ToleranceOptions{Coverage: 0.9, Confidence: 0.99, Sides: 1, Method: "howe"}); err == nil {
		t.Error("two values at 0.99: the approximation does not exist, and gave a factor")
	}
}

// The numbers of values are the well-known ones of Wilks: 59 and 93 for 95 %
// with 95 %; 299 and 473 for 99 % with 95 %. From memory.
func TestFreeTolerance(t *testing.T) {
	for _, c := range []struct {
		coverage float64
		sides, n int
	}{{0.95, 1, 59}, {0.95, 2, 93}, {0.99, 1, 299}, {0.99, 2, 473}} {
		o := study.ToleranceOptions{Coverage: c.coverage, Confidence: 0.95, Sides: c.sides, Method: "free"}
		if got, err := study.FreeTolerance(c.n, o); err != nil || *got.R != 1 || got.Achieved < 0.95 {
			t.Errorf("%d values: %+v, %v", c.n, got, err)
		}
		_, err := study.FreeTolerance(c.n-1, o)
		if err == nil || !strings.Contains(err.Error(), strconv.Itoa(c.n)) {
			t.Errorf("%d values: %v; want an error that names %d", c.n-1, err, c.n)
		}
		if got, err := study.FreeTolerance(20*c.n, o); err != nil || *got.R < 2 {
			t.Errorf("many values: %+v, %v", got, err)
		}
	}
	values := make([]float64, 100)
	for i := range values {
		values[i] = float64((i*37)%100 + 1) // 1 to 100 in disorder
	}
	got, err := study.SampleTolerance(study.NewSample(values), study.ToleranceOptions{Coverage: 0.9, Confidence: 0.9, Sides: 2, Method: "free"})
	if err != nil || float64(got.Lower) != float64(*got.R) || float64(got.Upper) != float64(101-*got.R) {
		t.Errorf("%+v, %v", got, err)
	}
}

func table(t *testing.T, id string) []map[string]string {
	t.Helper()
	f, err := os.Open("../../testdata/stats/" + id + ".csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var cells []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, name := range rows[0] {
			m[name] = row[i]
		}
		cells = append(cells, m)
	}
	return cells
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
