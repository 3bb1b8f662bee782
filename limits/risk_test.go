package limits_test

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"example.org/panecal/limits"
	"gonum.org/v1/gonum/stat/distuv"
)

// published reads one case of published values; the file names its source.
func published(t *testing.T, id string) func(key string) float64 {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "testdata", "stats", id+".json"))
	if err != nil {
		t.Fatal(err)
	}
	var c struct {
		Source    string
		Published map[string]string
	}
	if err := json.Unmarshal(data, &c); err != nil || c.Source == "" {
		t.Fatalf("%s: %v, source %q", id, err, c.Source)
	}
	return func(key string) float64 {
		v, err := strconv.ParseFloat(c.Published[key], 64)
		if err != nil {
			t.Fatalf("%s: %v", id, err)
		}
		return v
	}
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s is %v, published %v, may differ by %v", what, got, want, within)
	}
}

var nan = math.NaN()

// JCGM 106:2012, 7.3, examples 1 and 2; half a unit of the printed digit.
func TestConformingPublished(t *testing.T) {
	near(t, "p_c of the Zener diode", limits.Conforming(-5.47, 0.05, nan, -5.40), published(t, "jcgm106-73-zener")("p_c"), 0.005)
	near(t, "p_c of the container", limits.Conforming(509.7, 8.6, 490, nan), published(t, "jcgm106-73-container")("p_c"), 0.005)
}

// JCGM 106:2012, 7.3, Table 1: at an acceptance limit z·u inside the upper
// limit the probability of conformity is p. z is printed with two decimals;
// 0.005 of z is at most 0.005·φ(z) of p.
func TestGuardPublished(t *testing.T) {
	z := published(t, "jcgm106-table1")
	for _, p := range []string{"0.80", "0.90", "0.95", "0.99", "0.999"} {
		want, err := strconv.ParseFloat(p, 64)
		if err != nil {
			t.Fatal(err)
		}
		k := z("z_" + p)
		near(t, "p at z_"+p, limits.Conforming(10-k*0.3, 0.3, nan, 10), want, 0.005*distuv.UnitNormal.Prob(k-0.005))
	}
}

// ILAC-G8:09/2019, Table 1: the largest specific risk under a guard band of
// w = r·U, U = 2u, that is k = 2r.
func TestDecisionRulesPublished(t *testing.T) {
	below := published(t, "ilac-g8-decision-rules")
	for _, c := range []struct {
		key string
		r   float64
	}{{"w_3U_PFA_below", 3}, {"w_1.5U_PFA_below", 1.5}, {"w_1U_PFA_below", 1}, {"w_0.83U_PFA_below", 0.83}, {"w_0_PFA_below", 0}} {
		k := 2 * c.r
		risk := 1 - limits.Conforming(10-k*0.3, 0.3, nan, 10)
		if bound := below(c.key); !(risk <= bound) || c.r < 3 && risk < 0.8*bound {
			t.Errorf("%s: specific risk %v, table says below %v", c.key, risk, bound)
		}
	}
}

// JCGM 106:2012, 9.5.4, ball bearings; the long values are good to their digits.
func TestRiskBearings(t *testing.T) {
	want := published(t, "jcgm106-954-bearings")
	prior := distuv.Gamma{Alpha: 4, Beta: 4}
	spec := limits.Interval{Low: nan, High: 2}
	consumer, producer := limits.Risk(prior, 0.25, spec, spec)
	near(t, "R_C", consumer, want("R_C_no_guard"), 6e-11)
	near(t, "R_C in per cent", 100*consumer, want("R_C_no_guard_percent"), 0.05)
	near(t, "P of not conforming", prior.Survival(2), want("P_nonconforming"), 6e-12)
	near(t, "R_P (recomputed, not published)", producer, 0.017445, 5e-7)
	guarded := limits.Interval{Low: nan, High: want("A_U_for_R_C_0.001")}
	consumer, producer = limits.Risk(prior, 0.25, spec, guarded)
	near(t, "R_C at the guarded limit", consumer, 0.001, 1e-10)
	near(t, "R_P at the guarded limit (recomputed, not published)", producer, 0.075494, 5e-7)
}

// D. Deaver, NCSL 1993.
func TestRiskDeaver(t *testing.T) {
	want := published(t, "deaver-false-accept")
	for _, c := range []struct {
		n               string
		sigmas, tur, gb float64
		fa, fr          float64 // tolerances
	}{
		{"1", 2, 4, 1, 0.0005, 0.0005},
		{"2", 2, 2, 0.91, 0.0005, 0.0005},
		{"3", 2.5, 4, 1, 0.0001, 0}, // read off a curve in the paper
	} {
		spec := limits.Interval{Low: -c.sigmas, High: c.sigmas}
		accept := limits.Interval{Low: -c.sigmas * c.gb, High: c.sigmas * c.gb}
		consumer, producer := limits.Risk(distuv.UnitNormal, 1/c.tur, spec, accept)
		near(t, "PFA "+c.n, consumer, want("PFA_"+c.n), c.fa)
		if c.fr > 0 {
			near(t, "PFR "+c.n, producer, want("PFR_"+c.n), c.fr)
		}
	}
}

// NCSL RP-19, tables of false accept risk: printed with eight decimals, good
// to 1e-6 per cent.
func TestRiskRP19(t *testing.T) {
	want := published(t, "rp19-false-accept-a")
	for _, p := range []string{"0.60", "0.80", "0.95"} {
		inside, err := strconv.ParseFloat(p, 64)
		if err != nil {
			t.Fatal(err)
		}
		sd := 1 / distuv.UnitNormal.Quantile((1+inside)/2)
		spec := limits.Interval{Low: -1, High: 1}
		consumer, producer := limits.Risk(distuv.Normal{Sigma: sd}, sd/4, spec, spec)
		accepted := inside - producer + consumer
		near(t, "UFAR "+p, 100*consumer, want("UFAR_"+p), 2e-6)
		near(t, "CFAR "+p, 100*consumer/accepted, want("CFAR_"+p), 2e-6)
	}
}

func TestRiskEdges(t *testing.T) {
	spec := limits.Interval{Low: -1, High: nan}
	n := distuv.Normal{Sigma: 1}
	if c, p := limits.Risk(n, 0, spec, spec); c != 0 || p != 0 {
		t.Errorf("no error of measurement: risks %v, %v", c, p)
	}
	c, p := limits.Risk(n, 0, spec, limits.Interval{Low: 0, High: nan})
	near(t, "producer risk of a limit moved in, no error of measurement", p, 0.5-n.CDF(-1), 1e-12)
	near(t, "consumer risk of it", c, 0, 0)
	if c, p := limits.Risk(n, 0.1, limits.Interval{Low: nan, High: nan}, limits.Interval{Low: nan, High: nan}); c != 0 || p != 0 {
		t.Errorf("no limits: risks %v, %v", c, p)
	}
	// All that is good and rejected, or bad and accepted, against sampling.
	c, p = limits.Risk(n, 1e-5, spec, spec)
	near(t, "both risks of a very small error are alike", c, p, 1e-9)
	// Closed form for one limit at m and u ≪ sd: φ(m)·u/sqrt(2π).
	near(t, "risk of a very small error", c, n.Prob(-1)*1e-5/math.Sqrt(2*math.Pi), 1e-10)
	// The same far out, where not one unit of 10^23 is; to the next order of u.
	far := limits.Interval{Low: nan, High: 10}
	c, _ = limits.Risk(n, 1e-3, far, far)
	near(t, "risk ten standard deviations out", c/(n.Prob(10)*1e-3/math.Sqrt(2*math.Pi)), 1, 0.01)
}

func TestConformingEdges(t *testing.T) {
	for _, c := range []struct{ v, u, low, high, want float64 }{
		{5, 0, 0, 10, 1}, {10, 0, 0, 10, 1}, {10.1, 0, 0, 10, 0}, {5, nan, 0, 10, 1},
		{10, 1, nan, 10, 0.5}, {0, 1, 0, nan, 0.5}, {5, 1, nan, nan, 1}, {5, math.Inf(1), 0, 10, 0},
	} {
		if got := limits.Conforming(c.v, c.u, c.low, c.high); got != c.want {
			t.Errorf("Conforming(%v, %v, %v, %v) = %v, want %v", c.v, c.u, c.low, c.high, got, c.want)
		}
	}
	if !math.IsNaN(limits.Conforming(nan, 1, 0, 1)) {
		t.Error("of a value that is not a number nothing is known")
	}
}
