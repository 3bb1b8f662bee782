package studies

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"example.org/panecal/cmd/panecal/cli"
)

// The published cases of testdata/stats go through the command itself. Each
// file there names its source; those with "memory": true were written down
// from memory of the publication and recomputed.

const statsFolder = "../../../testdata/stats/"

func TestPublishedCases(t *testing.T) {
	file := func(name string) string { return statsFolder + name + ".csv" }
	type cases struct {
		id    string
		args  []string
		stdin string
		want  map[string]string  // path in the answer, by published value
		slack map[string]float64 // where half a unit of the last printed place does not do; the reason stands beside it
	}
	oneWay := map[string]string{"df_between": "df_between", "df_within": "df_within", "SS_between": "ss_between", "SS_within": "ss_within",
		"MS_between": "ms_between", "MS_within": "ms_within", "F": "f", "R2": "r2", "residual_sd": "residual_sd"}
	univariate := map[string]string{"n": "n", "mean": "mean", "sd": "sd", "r1": "lag1"}
	ewma := map[string]string{"UCL": "upper", "LCL": "lower"}
	cusum := map[string]string{}
	moving := map[string]string{"center": "center", "MRbar": "moving_range_mean", "UCL": "upper", "LCL": "lower"}
	for i := range 20 {
		ewma[fmt.Sprint("z", i+1)] = fmt.Sprintf("points.%d.ewma", i)
		cusum[fmt.Sprint("S_hi_", i+1)] = fmt.Sprintf("points.%d.high", i)
		cusum[fmt.Sprint("S_lo_", i+1)] = fmt.Sprintf("points.%d.low", i)
	}
	for i := 2; i <= 10; i++ {
		moving[fmt.Sprint("MR_", i)] = fmt.Sprintf("points.%d.moving_range", i-1)
	}
	for _, c := range []cases{
		{id: "nist-strd-smls01", args: []string{"anova", file("nist-strd-smls01"), "--column", "value=y"}, want: oneWay},
		{id: "nist-strd-smls04", args: []string{"anova", file("nist-strd-smls04"), "--column", "value=y"}, want: oneWay},
		{id: "nist-strd-smls07", args: []string{"anova", file("nist-strd-smls07"), "--column", "value=y"}, want: oneWay},
		{id: "nist-strd-atmwtag", args: []string{"anova", file("nist-strd-atmwtag"), "--column", "value=y"}, want: oneWay},
		{id: "nist-strd-lew", args: []string{"summary", file("nist-strd-lew"), "--column", "value=y"}, want: univariate},
		{id: "nist-strd-mavro", args: []string{"summary", file("nist-strd-mavro"), "--column", "value=y"}, want: univariate},
		{id: "nist-strd-michelso", args: []string{"summary", file("nist-strd-michelso"), "--column", "value=y"}, want: univariate},
		{id: "nist-strd-numacc3", args: []string{"summary", file("nist-strd-numacc3"), "--column", "value=y"}, want: univariate},
		{id: "nist-hb-262-check-standard", args: []string{"summary", file("nist-hb-262-check-standard")}, want: map[string]string{"mean": "mean", "sd": "sd"}},
		{id: "nist-strd-norris", args: []string{"line", file("nist-strd-norris")},
			want: map[string]string{"B0": "intercept", "B1": "slope", "sd_B0": "intercept_sd", "sd_B1": "slope_sd", "residual_sd": "residual_sd", "R2": "r2"}},
		{id: "nist-hb-2367-linewidth", args: []string{"line", file("nist-hb-2367-linewidth")},
			want:  map[string]string{"a": "intercept", "sd_a": "intercept_sd", "b": "slope", "sd_b": "slope_sd", "residual_sd": "residual_sd"},
			slack: map[string]float64{"a": 1e-4}}, // printed cut off, not rounded
		{id: "aiag-msa-linearity", args: []string{"line", "-"}, stdin: linearity(t), want: map[string]string{"slope": "slope", "intercept": "intercept", "R2": "r2"}},
		{id: "nist-hb-7262-percentiles", args: []string{"percentile", "-", "--p", "0.9", "--type", "6"}, stdin: inputs(t, "nist-hb-7262-percentiles"), want: map[string]string{"R6": "value"}},
		{id: "nist-hb-7262-percentiles", args: []string{"percentile", "-", "--p", "0.9", "--type", "7"}, stdin: inputs(t, "nist-hb-7262-percentiles"), want: map[string]string{"R7": "value"}},
		{id: "nist-hb-7262-percentiles", args: []string{"percentile", "-", "--p", "0.9"}, stdin: inputs(t, "nist-hb-7262-percentiles"), want: map[string]string{"R8": "value"}},
		{id: "aiag-msa-grr-anova", args: []string{"gauge", file("aiag-msa-grr")}, want: map[string]string{
			"SS_part": "anova.part.ss", "SS_operator": "anova.appraiser.ss", "SS_interaction": "anova.interaction.ss", "SS_error": "anova.repeatability.ss", "SS_total": "anova.total.ss",
			"df_part": "anova.part.df", "df_operator": "anova.appraiser.df", "df_interaction": "anova.interaction.df", "df_error": "anova.repeatability.df", "df_total": "anova.total.df",
			"MS_part": "anova.part.ms", "MS_operator": "anova.appraiser.ms", "MS_interaction": "anova.interaction.ms", "MS_error": "anova.repeatability.ms",
			"F_part_err": "anova.part.f", "F_operator_err": "anova.appraiser.f", "F_interaction": "anova.interaction.f", "MS_pooled": "anova_pooled.repeatability.ms",
			"sd_repeatability": "components.repeatability.sd", "sd_operator": "components.appraiser.sd", "sd_grr": "components.gauge.sd", "sd_part": "components.part.sd",
			"pctsv_repeatability": "components.repeatability.percent_study", "pctsv_operator": "components.appraiser.percent_study",
			"pctsv_grr": "components.gauge.percent_study", "pctsv_part": "components.part.percent_study",
			"pctcontrib_repeatability": "components.repeatability.percent_contribution", "pctcontrib_operator": "components.appraiser.percent_contribution",
			"pctcontrib_grr": "components.gauge.percent_contribution", "pctcontrib_part": "components.part.percent_contribution"},
			slack: map[string]float64{"sd_grr": 2e-6}}, // printed from components that were rounded before
		{id: "roth-qualitytools-grr", args: []string{"gauge", file("roth-qualitytools-grr"), "--column", "appraiser=operator"}, want: map[string]string{
			"df_operator": "anova.appraiser.df", "df_part": "anova.part.df", "df_interaction": "anova.interaction.df", "df_error": "anova.repeatability.df",
			"SS_operator": "anova.appraiser.ss", "SS_part": "anova.part.ss", "SS_interaction": "anova.interaction.ss", "SS_error": "anova.repeatability.ss",
			"MS_operator": "anova.appraiser.ms", "MS_part": "anova.part.ms", "MS_interaction": "anova.interaction.ms", "MS_error": "anova.repeatability.ms",
			"F_operator_err": "anova.appraiser.f", "F_part_err": "anova.part.f", "F_interaction": "anova.interaction.f",
			"p_operator_err": "anova.appraiser.p", "p_interaction": "anova.interaction.p",
			"var_grr": "components.gauge.variance", "var_repeatability": "components.repeatability.variance", "var_reproducibility": "components.reproducibility.variance",
			"var_part": "components.part.variance", "var_total": "components.total.variance",
			"pctcontrib_grr": "components.gauge.percent_contribution", "pctcontrib_repeatability": "components.repeatability.percent_contribution",
			"pctcontrib_reproducibility": "components.reproducibility.percent_contribution", "pctcontrib_part": "components.part.percent_contribution"},
			slack: map[string]float64{"pctcontrib_grr": 0.5}}, // printed 48 for 48.305
		{id: "scrucca2004-pistonrings", args: []string{"capability", "-", "--lower", "73.95", "--upper", "74.05", "--column", "value=diameter,group=subgroup"}, stdin: pistonRings(t), want: map[string]string{
			"center": "mean", "sd_within": "sd_within", "Cp": "cp.value", "Cp_lo": "cp.lower", "Cp_hi": "cp.upper", "Cpl": "cpl.value", "Cpl_lo": "cpl.lower", "Cpl_hi": "cpl.upper",
			"Cpu": "cpu.value", "Cpu_lo": "cpu.lower", "Cpu_hi": "cpu.upper", "Cpk": "cpk.value", "Cpk_lo": "cpk.lower", "Cpk_hi": "cpk.upper"}},
		{id: "nist-hb-616-capability", args: []string{"capability", "--mean", "16", "--sd", "2", "--lower", "8", "--upper", "20"}, want: map[string]string{
			"Cp": "cp.value", "Cpk": "cpk.value", "Cpu": "cpu.value", "Cpl": "cpl.value"}},
		{id: "nist-hb-7263-tolerance", args: []string{"tolerance", "--n", "43", "--mean", "97.07", "--sd", "0.0268", "--coverage", "0.9", "--confidence", "0.99", "--method", "howe"},
			want: map[string]string{"k2_howe": "k", "lower_two_sided": "lower", "upper_two_sided": "upper"}},
		{id: "nist-hb-7263-tolerance", args: []string{"tolerance", "--n", "43", "--mean", "97.07", "--sd", "0.0268", "--coverage", "0.9", "--confidence", "0.99", "--method", "howe", "--sides", "1"},
			want: map[string]string{"k1_natrella": "k", "upper_one_sided": "upper"}},
		{id: "nist-hb-6322-individuals", args: []string{"individuals", "-"}, stdin: inputs(t, "nist-hb-6322-individuals"), want: moving},
		{id: "nist-hb-6324-ewma", args: []string{"ewma", file("nist-hb-6324-ewma"), "--column", "value=x", "--lambda", "0.3", "--start", "50", "--sd", "2.0539"},
			want: ewma, slack: map[string]float64{"UCL": 1e-4, "LCL": 1e-4}}, // printed with a factor that was rounded before
		{id: "nist-hb-6323-cusum", args: []string{"cusum", file("nist-hb-6323-cusum"), "--column", "value=x", "--target", "325", "--k", "0.3175", "--h", "4.1959"},
			want: cusum},
		{id: "jcgm106-73-zener", args: []string{"risk", "--value", "-5.47", "--u", "0.05", "--upper", "-5.4"}, want: map[string]string{"p_c": "conforming"}},
		{id: "jcgm106-73-container", args: []string{"risk", "--value", "509.7", "--u", "8.6", "--lower", "490"}, want: map[string]string{"p_c": "conforming"}},
		{id: "jcgm106-954-bearings", args: []string{"risk", "--prior", "gamma", "--shape", "4", "--rate", "4", "--u", "0.25", "--upper", "2"},
			want: map[string]string{"P_nonconforming": "nonconforming", "R_C_no_guard": "false_accept"}},
		{id: "deaver-false-accept", args: []string{"risk", "--mean", "0", "--sd", "1", "--u", "0.25", "--lower", "-2", "--upper", "2"}, want: map[string]string{"PFA_1": "false_accept", "PFR_1": "false_reject"}},
		{id: "deaver-false-accept", args: []string{"risk", "--mean", "0", "--sd", "1", "--u", "0.5", "--lower", "-2", "--upper", "2", "--guard", "0.18"}, want: map[string]string{"PFA_2": "false_accept", "PFR_2": "false_reject"}},
		{id: "deaver-false-accept", args: []string{"risk", "--mean", "0", "--sd", "1", "--u", "0.25", "--lower", "-2.5", "--upper", "2.5"}, want: map[string]string{"PFA_3": "false_accept"},
			slack: map[string]float64{"PFA_3": 1e-4}}, // read off a curve
		{id: "nist-hb-7241-exact-proportion", args: []string{"proportion", "--count", "4", "--of", "20", "--confidence", "0.9"}, want: map[string]string{"p_L": "lower", "p_U": "upper"},
			slack: map[string]float64{"p_U": 1e-6}}, // printed where an iteration had stopped
		{id: "nist-hb-626-sprt", args: []string{"sequential", "--p0", "0.01", "--p1", "0.1", "--alpha", "0.05", "--beta", "0.1"}, want: map[string]string{"h1": "h1", "h2": "h2", "slope": "slope"}},
	} {
		t.Run(c.id+"/"+strings.Join(c.args[:1], ""), func(t *testing.T) {
			published := readCase(t, c.id).Published
			got := answerTo(t, c.stdin, c.args...)
			worst := 1.0
			for _, key := range sortedKeys(c.want) {
				printed, ok := published[key]
				if !ok {
					t.Fatalf("the case has no value %q", key)
				}
				want, half := printedNumber(t, printed)
				v := got.number(t, c.want[key])
				if slack, ok := c.slack[key]; ok {
					half = slack
				}
				// One part in 10^13 is for values that are printed with all
				// digits that binary numbers have.
				if off := math.Abs(v - want); !(off <= half*(1+1e-9)+1e-13*math.Abs(want)) {
					t.Errorf("%s: %.17g, published %s", key, v, printed)
				}
				if strings.HasPrefix(c.id, "nist-strd") && want != 0 {
					off := math.Abs(v-want) / math.Abs(want)
					worst = min(worst, 1/max(off, 1e-15)/1e15)
					if off > 1e-9 {
						t.Errorf("%s: %.17g, certified %s: fewer than 9 digits", key, v, printed)
					}
				}
			}
			if strings.HasPrefix(c.id, "nist-strd") {
				t.Logf("%d certified values, digits agreed with at least: %.1f of 15", len(c.want), 15+math.Log10(worst))
			}
		})
	}
}

// TestMorePublishedValues holds what the other published cases say of the
// same numbers.
func TestMorePublishedValues(t *testing.T) {
	t.Run("rp19-false-accept-a", func(t *testing.T) {
		published := readCase(t, "rp19-false-accept-a").Published
		for key, z := range map[string]string{"0.60": "0.84162123357291442", "0.80": "1.2815515655446004", "0.95": "1.9599639845400545"} {
			half, _ := strconv.ParseFloat(z, 64) // limits in process standard deviations
			got := answerTo(t, "", "risk", "--mean", "0", "--sd", fmt.Sprint(1/half), "--u", fmt.Sprint(0.25/half), "--lower", "-1", "--upper", "1")
			for name, path := range map[string]string{"UFAR_": "false_accept", "CFAR_": "conditional_false_accept"} {
				want, _ := printedNumber(t, published[name+key])
				// Printed with more decimals than are right: good to 2e-6 per cent.
				if v := 100 * got.number(t, path); math.Abs(v-want) > 2e-6 {
					t.Errorf("%s%s: %.10g %%, published %v %%", name, key, v, want)
				}
			}
		}
	})
	t.Run("jcgm106-954-bearings", func(t *testing.T) {
		got := answerTo(t, "", "risk", "--prior", "gamma", "--shape", "4", "--rate", "4", "--u", "0.25", "--upper", "2", "--guard", "0.328171228")
		if v := got.number(t, "false_accept"); math.Abs(v-0.001) > 1e-9 {
			t.Errorf("with the published guard band %.12g of all are accepted falsely, want 0.001", v)
		}
	})
	t.Run("ilac-g8-decision-rules", func(t *testing.T) {
		// The worst accepted value lies w = m·U = 2·m·u inside the limit.
		for m, most := range map[string]float64{"-6": 0.000001, "-3": 0.0016, "-2": 0.025, "-1.66": 0.05, "0": 0.50} {
			got := answerTo(t, "", "risk", "--value", m, "--u", "1", "--upper", "0")
			if p := 1 - got.number(t, "conforming"); p > most {
				t.Errorf("%s u inside: false accept %v, table: below %v", m, p, most)
			}
		}
	})
	t.Run("wald-1945-normal-saving-a", func(t *testing.T) {
		got := answerTo(t, "", "sequential", "--mean0", "0", "--mean1", "1", "--sd", "1", "--alpha", "0.01", "--beta", "0.01")
		if saving := 100 * (1 - got.number(t, "e0")/got.number(t, "n_fixed")); math.Abs(saving-58) > 0.5 {
			t.Errorf("saves %.4g %%, published 58 %%", saving)
		}
	})
	t.Run("nist-hb-626-sprt", func(t *testing.T) { // expected numbers: recomputed, not printed
		got := answerTo(t, "", "sequential", "--p0", "0.01", "--p1", "0.1", "--alpha", "0.05", "--beta", "0.1")
		for path, want := range map[string]float64{"e0": 27.957, "e1": 16.4467} {
			if v := got.number(t, path); math.Abs(v-want) > 6e-4 {
				t.Errorf("%s: %v, want %v", path, v, want)
			}
		}
	})
	t.Run("nist-hb-6323-cusum", func(t *testing.T) { // published: signals high at 14 to 20
		got := answerTo(t, "", "cusum", statsFolder+"nist-hb-6323-cusum.csv", "--column", "value=x", "--target", "325", "--k", "0.5", "--h", "6.607716535433071", "--sd", "0.635")
		for i := range 20 {
			signals := got.at(t, fmt.Sprintf("points.%d.signals", i)).([]any)
			if (len(signals) > 0) != (i+1 >= 14) {
				t.Errorf("point %d: signals %v", i+1, signals)
			}
		}
	})
	t.Run("nist-hb-2443-nested", func(t *testing.T) {
		// Level-3 sd of a wafer is that of its two run means; to 1e-4, since
		// the data are printed with fewer digits than were used.
		published := readCase(t, "nist-hb-2443-nested").Published
		for _, wafer := range []string{"138", "139", "140", "141", "142"} {
			means := "value\n"
			for _, run := range []string{"1", "2"} {
				rows := filtered(t, "nist-hb-2443-nested", func(cell map[string]string) (string, bool) {
					return cell["average"], cell["wafer"] == wafer && cell["run"] == run
				})
				means += fmt.Sprintf("%.17g\n", answerTo(t, "value\n"+rows, "summary", "-").number(t, "mean"))
			}
			want, _ := printedNumber(t, published["s3_"+wafer])
			if sd := answerTo(t, means, "summary", "-").number(t, "sd"); math.Abs(sd-want) > 1e-4 {
				t.Errorf("wafer %s: %v, published %v", wafer, sd, want)
			}
		}
	})
}

type answer struct{ v any }

// answerTo runs the command, which must succeed, and reads its object.
func answerTo(t *testing.T, stdin string, args ...string) answer {
	t.Helper()
	var out, talk bytes.Buffer
	if code := runProgram(append(append([]string{"study"}, args...), "--json"), strings.NewReader(stdin), &out, &talk); code != cli.ExitDone {
		t.Fatalf("%v: exit code %d: %s", args, code, &talk)
	}
	var a answer
	if err := json.Unmarshal(out.Bytes(), &a.v); err != nil {
		t.Fatal(err)
	}
	if a.at(t, "schema") != "panecal.study/1" || a.at(t, "kind") != args[0] {
		t.Errorf("head %v %v", a.at(t, "schema"), a.at(t, "kind"))
	}
	return a
}

// at follows a path; elements of an array are found by position, source or name.
func (a answer) at(t *testing.T, path string) any {
	t.Helper()
	v := a.v
	for step := range strings.SplitSeq(path, ".") {
		switch in := v.(type) {
		case map[string]any:
			next, ok := in[step]
			if !ok {
				t.Fatalf("the answer has no %s of %s", step, path)
			}
			v = next
		case []any:
			i, err := strconv.Atoi(step)
			if err != nil {
				i = slices.IndexFunc(in, func(e any) bool {
					m := e.(map[string]any)
					return m["source"] == step || m["name"] == step
				})
			}
			if i < 0 || i >= len(in) {
				t.Fatalf("the answer has no %s of %s", step, path)
			}
			v = in[i]
		default:
			t.Fatalf("the answer has no %s of %s", step, path)
		}
	}
	return v
}

func (a answer) number(t *testing.T, path string) float64 {
	t.Helper()
	v, ok := a.at(t, path).(float64)
	if !ok {
		t.Fatalf("%s is %v, not a number", path, a.at(t, path))
	}
	return v
}

type publishedCase struct {
	Inputs    map[string]any
	Published map[string]string
}

func readCase(t *testing.T, id string) publishedCase {
	t.Helper()
	raw, err := os.ReadFile(statsFolder + id + ".json")
	if err != nil {
		t.Fatal(err)
	}
	var c publishedCase
	if err := json.Unmarshal(raw, &c); err != nil {
		t.Fatal(err)
	}
	return c
}

// inputs makes a table of a case's own list x.
func inputs(t *testing.T, id string) string {
	t.Helper()
	text := "value\n"
	for _, x := range readCase(t, id).Inputs["x"].([]any) {
		text += x.(string) + "\n"
	}
	return text
}

// printedNumber is a number as printed, and half a unit of its last place.
func printedNumber(t *testing.T, text string) (v, half float64) {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	mantissa, exponent, _ := strings.Cut(strings.ToUpper(text), "E")
	e, _ := strconv.Atoi(exponent)
	if _, decimals, ok := strings.Cut(mantissa, "."); ok {
		e -= len(decimals)
	}
	return v, 0.5 * math.Pow10(e)
}

// filtered gives lines made of the rows of a case's table.
func filtered(t *testing.T, id string, line func(cell map[string]string) (string, bool)) string {
	t.Helper()
	f, err := os.Open(filepath.Join(statsFolder, id+".csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	for _, row := range rows[1:] {
		cell := map[string]string{}
		for i, name := range rows[0] {
			cell[name] = row[i]
		}
		if text, ok := line(cell); ok {
			b.WriteString(text + "\n")
		}
	}
	return b.String()
}

// linearity makes x the reference and y the bias of each reading.
func linearity(t *testing.T) string {
	return "x,y\n" + filtered(t, "aiag-msa-linearity", func(cell map[string]string) (string, bool) {
		reference, _ := strconv.ParseFloat(cell["reference"], 64)
		value, _ := strconv.ParseFloat(cell["value"], 64)
		return fmt.Sprintf("%v,%.6f", reference, value-reference), true
	})
}

// pistonRings leaves the subgroups that the publication used.
func pistonRings(t *testing.T) string {
	return "subgroup,diameter\n" + filtered(t, "scrucca2004-pistonrings", func(cell map[string]string) (string, bool) {
		return cell["subgroup"] + "," + cell["diameter"], cell["calibration"] == "TRUE"
	})
}

func sortedKeys[V any](m map[string]V) []string {
	var keys []string
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
