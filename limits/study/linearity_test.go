package study_test

import (
	"encoding/json"
	"math"
	"os"
	"strconv"
	"testing"

	"example.org/panecal/limits/study"
)

func statTable(t *testing.T, name string) *study.Table {
	t.Helper()
	f, err := os.Open("../../testdata/stats/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	table, err := study.ReadTable(f)
	if err != nil {
		t.Fatal(err)
	}
	return table
}

func column(t *testing.T, table *study.Table, name string) study.Sample {
	t.Helper()
	s, err := table.Numbers(name)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// The worked example of AIAG, Measurement Systems Analysis, 4th ed., chapter III
// B (testdata/stats/aiag-msa-linearity.json names its source), to every digit.
func TestLinearity(t *testing.T) {
	table := statTable(t, "aiag-msa-linearity.csv")
	l, err := study.NewLinearity(column(t, table, "reference"), column(t, table, "value"))
	if err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile("../../testdata/stats/aiag-msa-linearity.json")
	if err != nil {
		t.Fatal(err)
	}
	var want struct{ Recomputed map[string]string }
	if err := json.Unmarshal(data, &want); err != nil {
		t.Fatal(err)
	}
	got := map[string]study.Number{"slope": l.Slope, "intercept": l.Intercept, "R2": l.R2, "t_slope": l.TSlope, "t_intercept": l.TIntercept}
	for _, b := range l.Biases {
		got["bias_"+strconv.Itoa(int(b.Reference))] = b.Bias
	}
	if len(got) != len(want.Recomputed) {
		t.Errorf("%d values, want %d", len(got), len(want.Recomputed))
	}
	for name, text := range want.Recomputed {
		w, err := strconv.ParseFloat(text, 64)
		if err != nil || math.Abs(float64(got[name])-w) > 1e-12*math.Abs(w) {
			t.Errorf("%s = %.15g, want %s", name, float64(got[name]), text)
		}
	}
	if !(l.PSlope < 1e-10) || math.Abs(float64(l.ResidualSD)-0.23953979) > 1e-8 {
		t.Errorf("%+v", l)
	}
	if _, err := study.NewLinearity(study.NewSample([]float64{1, 1, 1}), study.NewSample([]float64{1, 2, 3})); err == nil {
		t.Error("one reference was taken for a line")
	}
}

// R. A. Fisher's transformation of a correlation: r = 0.6 of 28 pairs has bounds
// 0.2924 and 0.7951 at 95 % (worked by hand from tanh(atanh 0.6 ± 1.96/5)).
func TestCorrelation(t *testing.T) {
	// 28 pairs of exactly that correlation: y = r·x + √(1−r²)·w, with w at right angles to x.
	x, y := make([]float64, 28), make([]float64, 28)
	for i := range x {
		a := 2 * math.Pi * float64(i) / 28
		x[i], y[i] = math.Cos(a), 0.6*math.Cos(a)+0.8*math.Sin(a)+3
	}
	c, err := study.NewCorrelation(study.NewSample(x), study.NewSample(y), 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(float64(c.R.Value)-0.6) > 1e-12 || math.Abs(float64(c.R.Lower)-0.2924) > 5e-5 || math.Abs(float64(c.R.Upper)-0.7951) > 5e-5 {
		t.Errorf("%+v", c.R)
	}
	// Student's t of 27 degrees of freedom: 2.0518 (NIST handbook 1.3.6.7.2).
	if half := float64(c.MeanDifference.Upper - c.MeanDifference.Value); math.Abs(float64(c.MeanDifference.Value)-3) > 1e-12 || math.Abs(half/float64(c.SDDifference)*math.Sqrt(28)-2.052) > 5e-4 {
		t.Errorf("%+v", c)
	}
	if _, err := study.NewCorrelation(study.NewSample(x[:3]), study.NewSample(y[:3]), 0.95); err == nil {
		t.Error("three parts were taken")
	}
}

// A crossed study read as a nested one: the parts' sum of squares is then that of
// parts and interaction together, whose published values hold the crossed one.
func TestNested(t *testing.T) {
	table := statTable(t, "aiag-msa-grr.csv")
	parts, err := table.Labels("part")
	if err != nil {
		t.Fatal(err)
	}
	appraisers, err := table.Labels("appraiser")
	if err != nil {
		t.Fatal(err)
	}
	s := column(t, table, "value")
	o := study.GaugeOptions{Pool: 0.25, Multiplier: 6, Lower: -2, Upper: 2}
	g, err := study.NewGauge(parts, appraisers, s, o)
	if err != nil {
		t.Fatal(err)
	}
	n, err := study.NewNested(parts, appraisers, s, o)
	if err != nil {
		t.Fatal(err)
	}
	crossed, nested := map[string]study.Source{}, map[string]study.Source{}
	for _, r := range g.ANOVA {
		crossed[r.Source] = r
	}
	for _, r := range n.ANOVA {
		nested[r.Source] = r
	}
	close := func(name string, got, want study.Number) {
		if math.Abs(float64(got-want)) > 1e-10*math.Abs(float64(want)) {
			t.Errorf("%s: %v, want %v", name, got, want)
		}
	}
	close("appraiser", nested["appraiser"].SS, crossed["appraiser"].SS)
	close("repeatability", nested["repeatability"].SS, crossed["repeatability"].SS)
	close("total", nested["total"].SS, crossed["total"].SS)
	close("part", nested["part"].SS, crossed["part"].SS+crossed["interaction"].SS)
	if nested["part"].DF != crossed["part"].DF+crossed["interaction"].DF || n.Parts != g.Parts {
		t.Errorf("%+v", n.ANOVA)
	}
	sum := study.Number(0)
	for _, c := range n.Components {
		if c.Name == "gauge" || c.Name == "part" {
			sum += c.Variance
		}
		if c.Name == "total" {
			close("total variance", c.Variance, sum)
		}
	}
	values := make([]float64, len(parts)-1)
	if _, err := study.NewNested(parts[1:], appraisers[1:], study.NewSample(values), o); err == nil {
		t.Error("a part with a trial too few was taken")
	}
}
