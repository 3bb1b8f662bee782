package study_test

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"

	"example.org/panecal/limits"
	"example.org/panecal/limits/study"
)

func read(t *testing.T, text string) *study.Table {
	t.Helper()
	table, err := study.ReadTable(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return table
}

func TestTableMistakes(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", "empty"},
		{"white", " \n\n", "empty"},
		{"header only", "value\n", "no rows"},
		{"utf-16", "\xff\xfev\x00", "UTF-16"},
		{"no column", "x\n1\n", `no column "value"`},
		{"semicolons", "x;value\n1;2\n", "commas"},
		{"twice", "value,value\n1,2\n", "two columns"},
		{"case", "Value\n1\n", `no column "value"`},
		{"word", "value\n1\nabc\n", "line 3 (row 2 of the data), column value"},
		{"nan", "value\nNaN\n", "line 2 (row 1 of the data), column value"},
		{"infinite", "value\n-Inf\n", "column value"},
		{"hexadecimal", "value\n0x10\n", "column value"},
		{"underscore", "value\n1_0\n", "column value"},
		{"too large", "value\n1e200\n", "magnitude"},
		{"too small", "value\n1e-200\n", "magnitude"},
		{"long", "value\n" + strings.Repeat("1", 300) + "\n", "column value"},
		{"cell empty", "x,value\n1,\n", "the cell is empty"},
		{"decimal comma", "value\n1,5\n", "decimal point"},
		{"short row", "x,value\n1,2\n3\n", "line 3"},
		{"row missing", "value\n1\n\n2\n", "line 3 is empty"},
		{"quote", "value\n\"1\n", "quote"},
		{"after a quoted line break", "x,value\n\"a\nb\",1\n\nc,2\n", "line 4 is empty"},
		{"terminal", "value\n\x1b[2J\n", `"\x1b[2J"`},
	} {
		table, err := study.ReadTable(strings.NewReader(c.text))
		if err == nil {
			_, err = table.Numbers("value")
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v; want %q", c.name, err, c.want)
		}
	}
	if _, err := read(t, "group,value\na,1\n ,2\n").Labels("group"); err == nil || !strings.Contains(err.Error(), "line 3 (row 2 of the data), column group") {
		t.Errorf("empty label: %v", err)
	}
}

func TestTableReads(t *testing.T) {
	for _, text := range []string{
		"value\n1.5\n-2\n.25e1\n",
		"\xef\xbb\xbf\"value\",note\r\n\"1.5\",\"a, b\"\r\n -2 ,\r\n+2.5,x\r\n\r\n\n",
		"note,value\nx,1.5\ny,-2.0E0\nz,2.50",
	} {
		s, err := read(t, text).Numbers("value")
		if err != nil {
			t.Errorf("%q: %v", text, err)
			continue
		}
		if got := study.Summarize(s); got.N != 3 || math.Abs(float64(got.Mean)-2.0/3) > 2e-16 || got.Median != 1.5 || got.Min != -2 || got.Max != 2.5 {
			t.Errorf("%q: %+v", text, got)
		}
	}
}

func FuzzReadTable(f *testing.F) {
	f.Add("value\n1\n2\n")
	f.Add("\xef\xbb\xbfvalue,x\r\n\"1\",2\r\n\n")
	f.Fuzz(func(t *testing.T, text string) {
		table, err := study.ReadTable(strings.NewReader(text))
		if err != nil {
			return
		}
		s, err := table.Numbers("value")
		if err != nil {
			return
		}
		got := study.Summarize(s)
		if !got.Mean.Defined() || got.Min > got.Max || got.SD < 0 || s.Len() > 1 && !got.SD.Defined() {
			t.Errorf("%q: %+v", text, got)
		}
	})
}

// What is not defined is null, whatever the kind, and never a number.
func TestUndefined(t *testing.T) {
	one, same := study.NewSample([]float64{5}), study.NewSample([]float64{0.1, 0.1, 0.1})
	two := study.NewSample([]float64{1, 2})
	gauge, err := study.NewGauge([]string{"1", "1", "1", "1", "2", "2", "2", "2"}, []string{"a", "a", "b", "b", "a", "a", "b", "b"},
		study.NewSample([]float64{.1, .1, .1, .1, .1, .1, .1, .1}), study.GaugeOptions{Pool: 0.25, Multiplier: 6, Lower: math.NaN(), Upper: 1})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		result any
		null   []string
		not    []string
	}{
		{"one value", study.Summarize(one), []string{"sd", "lag1"}, []string{"mean", "median"}},
		{"equal values", study.Summarize(same), []string{"lag1"}, []string{"sd"}},
		{"two groups of one", study.OneWay([]string{"a", "b"}, two), []string{"ms_within", "f", "p", "residual_sd"}, []string{"ss_between", "ms_between", "r2"}},
		{"one group", study.OneWay([]string{"a", "a"}, two), []string{"ms_between", "f", "p"}, []string{"ms_within", "residual_sd"}},
		{"equal groups", study.OneWay([]string{"a", "a", "b"}, same), []string{"f", "p", "r2"}, []string{"ss_within", "ms_within"}},
		{"one point", study.FitLine(one, one), []string{"intercept", "slope", "residual_sd", "r2"}, nil},
		{"equal x", study.FitLine(same, same), []string{"intercept", "slope", "r2"}, nil},
		{"two points", study.FitLine(two, two), []string{"residual_sd", "slope_sd", "intercept_sd"}, []string{"slope", "intercept", "r2"}},
		{"one value on a chart", study.Individuals(one), []string{"lower", "upper", "sd", "moving_range_mean"}, []string{"center"}},
		{"constant gauge", gauge, []string{"ndc", "ndc_raw"}, []string{"parts"}},
	} {
		raw, err := json.Marshal(c.result)
		if err != nil {
			t.Fatal(err)
		}
		var m map[string]any
		if err := json.Unmarshal(raw, &m); err != nil {
			t.Fatal(err)
		}
		for _, key := range c.null {
			if v, ok := m[key]; !ok || v != nil {
				t.Errorf("%s: %s is %v, want null", c.name, key, v)
			}
		}
		for _, key := range c.not {
			if m[key] == nil {
				t.Errorf("%s: %s is null", c.name, key)
			}
		}
	}
	if gauge.Pooled || gauge.Components[0].PercentTolerance.Defined() {
		t.Errorf("constant data, one limit: %+v", gauge)
	}
}

// A process of one value, and one of equal values, has no index.
func TestCapabilityEdges(t *testing.T) {
	for _, c := range []study.Capability{
		study.Sequence(study.NewSample([]float64{5})).Capability(1, 9, 0.95),
		study.Sequence(study.NewSample([]float64{5, 5, 5})).Capability(1, 9, 0.95),
	} {
		if c.Cp.Value.Defined() || c.Ppk.Value.Defined() || c.Ppk.Lower.Defined() {
			t.Errorf("%+v", c)
		}
	}
	groups := study.Subgroups([]string{"a", "b", "c"}, study.NewSample([]float64{1, 2, 3})).Capability(0, 9, 0.95)
	if groups.Cpk.Value.Defined() || !groups.Ppk.Value.Defined() {
		t.Errorf("groups of one: within is not defined, overall is: %+v", groups)
	}
	one := study.Process{Mean: 5, Within: 1, Overall: 2, N: 20}.Capability(math.NaN(), 8, 0.95)
	if one.Cp.Value.Defined() || one.Cpl.Value.Defined() || one.Cpk != (study.Bounds{Value: 1, Lower: one.Cpk.Lower, Upper: one.Cpk.Upper}) || one.Ppu.Value != 0.5 {
		t.Errorf("one limit: %+v", one)
	}
	if unknown := (study.Process{Mean: 5, Within: 1, Overall: 1}).Capability(2, 8, 0.95); unknown.Cp.Value != 1 || unknown.Cp.Lower.Defined() || unknown.Cpk.Upper.Defined() || unknown.N != nil {
		t.Errorf("without n: %+v", unknown)
	}
}

func TestGaugeRefuses(t *testing.T) {
	o := study.GaugeOptions{Pool: 0.25, Multiplier: 6, Lower: math.NaN(), Upper: math.NaN()}
	sample := func(n int) study.Sample {
		v := make([]float64, n)
		for i := range v {
			v[i] = float64(i * i % 7)
		}
		return study.NewSample(v)
	}
	for _, c := range []struct {
		name, parts, appraisers, want string
	}{
		{"one trial missing", "1 1 1 1 2 2 2", "a a b b a a b", `part "2", appraiser "b" has 1 trials, others have 2`},
		{"a cell missing", "1 1 1 1 2 2", "a a b b a a", `part "2", appraiser "b" has 0`},
		{"one trial too many", "1 1 1 1 1 2 2 2 2", "a a a b b a a b b", `part "1", appraiser "a" has 3`},
		{"one trial", "1 1 2 2", "a b a b", "two trials"},
		{"one part", "1 1 1 1", "a a b b", "two parts"},
		{"one appraiser", "1 1 2 2", "a a a a", "two appraisers"},
	} {
		parts := strings.Fields(c.parts)
		_, err := study.NewGauge(parts, strings.Fields(c.appraisers), sample(len(parts)), o)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v; want %q", c.name, err, c.want)
		}
	}
}

// A study with a strong interaction is not pooled, and a negative estimate is
// nought in every sum while the raw number stays beside it.
func TestGaugeComponents(t *testing.T) {
	var parts, appraisers []string
	var v []float64
	for p := range 3 {
		for a := range 2 {
			for trial := range 2 {
				parts, appraisers = append(parts, fmt.Sprint(p)), append(appraisers, fmt.Sprint(a))
				sign := float64(1 - 2*a)
				v = append(v, 10*float64(p)+5*sign*float64(p-1)+0.1*float64(trial))
			}
		}
	}
	g, err := study.NewGauge(parts, appraisers, study.NewSample(v), study.GaugeOptions{Pool: 0.25, Multiplier: 6, Lower: 0, Upper: 60})
	if err != nil {
		t.Fatal(err)
	}
	c := map[string]study.Component{}
	for _, one := range g.Components {
		c[one.Name] = one
	}
	// Repeatability: each pair differs by 0.1, variance 0.005. Interaction
	// mean square 2·(25·4)/2 = 100, appraiser 0, part 2·2·(2·100)/2 = 400.
	near := func(name string, got study.Number, want float64) {
		t.Helper()
		if math.Abs(float64(got)-want) > 1e-9 {
			t.Errorf("%s: %v, want %v", name, got, want)
		}
	}
	if g.Pooled || g.ANOVAPooled != nil || len(g.ANOVA) != 5 {
		t.Errorf("pooled: %+v", g)
	}
	near("repeatability", c["repeatability"].Variance, 0.005)
	near("interaction", c["interaction"].Variance, (100-0.005)/2)
	near("appraiser raw", c["appraiser"].VarianceRaw, -100.0/6)
	near("appraiser", c["appraiser"].Variance, 0)
	near("part", c["part"].Variance, (400.0-100)/4)
	near("gauge", c["gauge"].Variance, 0.005+(100-0.005)/2)
	near("total", c["total"].Variance, 0.005+(100-0.005)/2+75)
	near("F of part", g.ANOVA[0].F, 4)
	near("tolerance", c["part"].PercentTolerance, 100*6*math.Sqrt(75)/60)
	near("raw ndc", g.NDCRaw, math.Sqrt2*math.Sqrt(75/(0.005+(100-0.005)/2)))
	if g.NDC == nil || *g.NDC != 1 {
		t.Errorf("ndc %v", g.NDC)
	}
}

// Shares of wrong decisions against 25-digit quadrature (mpmath 1.3).
func TestRiskDigits(t *testing.T) {
	nan := math.NaN()
	normal := func(mean, sd, u, low, high, guard float64) study.Risk {
		r, err := study.NormalRisk(mean, sd, u, limits.Interval{Low: low, High: high}, guard)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	gamma := func(shape, rate, u, low, high, guard float64) study.Risk {
		r, err := study.GammaRisk(shape, rate, u, limits.Interval{Low: low, High: high}, guard)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	for _, c := range []struct {
		name           string
		r              study.Risk
		accept, reject float64
	}{
		{"far limits", normal(0, 1, 0.25, -7, 7, 0), 8.162401830525383e-13, 9.392700578619239e-12},
		{"one limit", normal(0, 1, 0.25, -2, nan, 0.1), 0.002397887320898192, 0.01229250012696341},
		{"gamma", gamma(4, 4, 0.25, nan, 2, 0), 0.008019111884287176, 0.01744456922978359},
		{"gamma that begins steeply", gamma(0.3, 1, 0.25, nan, 2, 0.1), 0.001352082790555582, 0.005757341085109687},
	} {
		if math.Abs(float64(c.r.FalseAccept)/c.accept-1) > 1e-12 || math.Abs(float64(c.r.FalseReject)/c.reject-1) > 1e-12 {
			t.Errorf("%s: %.16g %.16g, want %.16g %.16g", c.name, c.r.FalseAccept, c.r.FalseReject, c.accept, c.reject)
		}
	}
	if r := normal(0, 1, 0, -1, 1, 0); r.FalseAccept != 0 || r.FalseReject != 0 || math.Abs(float64(r.Nonconforming)-0.3173105078629141) > 1e-15 {
		t.Errorf("no uncertainty: %+v", r)
	}
	if r := normal(0.5, 0, 0.25, -1, 1, 0); r.FalseAccept != 0 || r.Nonconforming != 0 || math.Abs(float64(r.FalseReject)-(0.022750131948179195+9.865876450377018e-10)) > 1e-15 {
		t.Errorf("all units alike: %+v", r)
	}
	if r := normal(0, 1, 0.25, -1, 1, 2); r.FalseAccept != 0 || r.Accepted != 0 || r.ConditionalFalseAccept.Defined() || math.Abs(float64(r.FalseReject)-0.6826894921370859) > 1e-12 {
		t.Errorf("a guard band that leaves nothing: %+v", r)
	}
	c, err := study.NewConformity(10, 1, limits.Interval{Low: nan, High: 0})
	if err != nil || math.Abs(float64(c.Conforming)/7.61985302416053e-24-1) > 1e-12 { // Q(10), from memory
		t.Errorf("far outside: %v, %v", c.Conforming, err)
	}
}
