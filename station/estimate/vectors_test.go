package estimate_test

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mathext"

	"example.org/panecal/station/estimate"
)

// table reads a CSV of testdata by column name.
func table(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("../../testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(bufio.NewReader(f)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, r := range rows[1:] {
		m := map[string]string{}
		for i, c := range r {
			m[rows[0][i]] = c
		}
		out = append(out, m)
	}
	if len(out) == 0 {
		t.Fatalf("%s holds no rows", name)
	}
	return out
}

func num(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if math.IsNaN(want) && math.IsNaN(got) || got == want {
		return
	}
	if !(math.Abs(got-want) <= rel*math.Max(math.Abs(want), 1e-12)) {
		t.Errorf("%s: %.10g, want %.10g (relative %g)", what, got, want, rel)
	}
}

// Coates, J. Phys. E 1, 878 (1968), with Greenwood's variance.
func TestCoates(t *testing.T) {
	rows := table(t, "optics/01_coates.csv")
	for i := 0; i < len(rows); {
		j := i
		var counts []uint32
		for ; j < len(rows) && rows[j]["case"] == rows[i]["case"]; j++ {
			counts = append(counts, uint32(num(t, rows[j]["count"])))
		}
		rate, variance := make([]float64, len(counts)), make([]float64, len(counts))
		estimate.Coates(int64(num(t, rows[i]["n_trials"])), counts, rate, variance)
		for k, r := range rows[i:j] {
			what := r["case"] + " bin " + r["bin"]
			near(t, what, rate[k], num(t, r["coates_lambda"]), 1e-8)
			if want := num(t, r["se_lambda"]); !math.IsInf(want, 0) {
				near(t, what+" se", math.Sqrt(variance[k]), want, 1e-8)
			}
		}
		i = j
	}
}

// The equivalent exposure must give the first-photon score in closed form and
// the series must meet it; the score must be the derivative of the likelihood.
func TestFirstPhotonLikelihood(t *testing.T) {
	const n, h = 1000.0, 137.0
	for _, rate := range []float64{1e-6, 0.01, 0.1, 0.29999, 0.30001, 1, 5} {
		score := h/math.Expm1(rate) - (n - h)
		near(t, "score", h/rate-estimate.Exposure(n, h, rate), score, 1e-8)
		d := rate * 1e-5
		slope := (estimate.FirstPhotonLog(n, h, rate+d) - estimate.FirstPhotonLog(n, h, rate-d)) / (2 * d)
		near(t, "slope of the likelihood", slope, score, 2e-5)
	}
}

// The Cramér-Rao bounds of a binned normal pulse on a flat background (Winick
// 1986; recomputed values). The empty capture's fit is one pulse and an
// ambient, so its u must be the bound; expected counts, scaled up so that
// rounding them to whole counts does not matter, stand for the truth.
func TestCramerRaoVectors(t *testing.T) {
	const scale = 1e4
	for _, r := range table(t, "optics/03_crlb.csv") {
		sigma, w := 1000*num(t, r["sigma_ns"]), 1000*num(t, r["bin_ns"])
		bins := int(num(t, r["n_bins"]))
		tau := 1000 * num(t, r["t0_ns"])
		signal, back := num(t, r["n_signal"]), num(t, r["bg_per_bin"])
		if back == 0 {
			back = 1e-3 // none at all leaves nothing to fit the ambient to
		}
		s := estimate.Setup{
			Grid: estimate.Grid{Rows: 1, Cols: 1, Ux: []float64{0}, Uy: []float64{0}}, Bins: bins, BinPS: w,
			LeakageWindowPS: [2]float64{0, w * float64(bins)}, Pulse: pulseTo(sigma, sigma/100, 6),
		}
		e, err := estimate.New(s)
		if err != nil {
			t.Fatal(err)
		}
		h := estimate.Histogram{Shots: 1_000_000, Counts: make([]uint32, bins), TempCel: math.NaN()}
		for b := range bins {
			lo := (float64(b)*w - tau) / (sigma * math.Sqrt2)
			hi := (float64(b+1)*w - tau) / (sigma * math.Sqrt2)
			h.Counts[b] = uint32(math.Round(scale * (signal*(math.Erf(hi)-math.Erf(lo))/2 + back)))
		}
		l, err := e.Empty(h)
		if err != nil {
			t.Fatal(err)
		}
		z := l.Zones[0]
		near(t, r["case"]+" bound", z.DistanceUMM*math.Sqrt(scale), num(t, r["crlb_joint_mm"]), 2e-3)
		if d := math.Abs(z.DistanceMM - halfC*tau); d > 0.01 {
			t.Errorf("%s: delay off by %g mm on the expected counts", r["case"], d)
		}
	}
}

func pulseTo(sigma, step, reach float64) estimate.Pulse {
	n := int(math.Ceil(reach * sigma / step))
	p := estimate.Pulse{StartPS: -float64(n) * step, StepPS: step}
	for i := -n; i <= n; i++ {
		x := float64(i) * step / sigma
		p.Density = append(p.Density, math.Exp(-x*x/2))
	}
	return p
}

// Range walk: what first-photon pile-up does to the mean of a pulse, and that
// undoing it removes it. The expected histogram of the vectors' normal pulse.
func TestPileUpMoments(t *testing.T) {
	const sigma, bins, w = 400.0, 200, 25.0
	for _, r := range table(t, "optics/02_pileup_moments.csv") {
		p := num(t, r["mean_photons_P"])
		const n = 4_000_000_000
		counts := make([]uint32, bins)
		left, sum, first := float64(n), 0.0, 0.0
		for b := range bins {
			lo, hi := (float64(b)*w-2500)/(sigma*math.Sqrt2), (float64(b+1)*w-2500)/(sigma*math.Sqrt2)
			k := math.Round(left * -math.Expm1(-p*(math.Erf(hi)-math.Erf(lo))/2))
			counts[b] = uint32(k)
			left -= k
			sum += k
			first += k * (float64(b)*w + w/2 - 2500)
		}
		near(t, "detected share", sum/n, num(t, r["detect_fraction"]), 1e-6)
		near(t, "walk of the raw mean", first/sum/sigma, num(t, r["gauss_mean_shift_over_sigma"]), 2e-3)
		rate, v := make([]float64, bins), make([]float64, bins)
		estimate.Coates(n, counts, rate, v)
		total, mean := 0.0, 0.0
		for b, x := range rate {
			total += x
			mean += x * (float64(b)*w + w/2 - 2500)
		}
		near(t, "photons", total, p, 1e-6)
		if walk := mean / total / sigma; math.Abs(walk) > 1e-4 {
			t.Errorf("P = %g: mean off by %g sigma after pile-up is undone", p, walk)
		}
	}
}

// Mixed ranges un-mixed: a summary unit's range of a return with leakage in it
// must come back to the true distance.
func TestMixedRange(t *testing.T) {
	s := hopper(1, 1)
	s.Grid.Ux[0], s.Grid.Uy[0] = 0, 0
	e, err := estimate.New(s)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range table(t, "optics/06_mixed_range.csv") {
		signal, leak := num(t, r["signal_counts"]), num(t, r["leak_counts"])
		dx, app, want := num(t, r["leak_apparent_mm"]), num(t, r["apparent_mm"]), num(t, r["true_mm"])
		u := 1e-3 * leak
		l, err := e.EmptySummary(estimate.Summary{Shots: 1e6, TempCel: math.NaN(), Zones: []estimate.SummaryZone{{Signal: leak, SignalU: u, RangeMM: dx, RangeUMM: 0.1, Ambient: 1}}})
		if err != nil {
			t.Fatal(err)
		}
		o, err := e.TargetSummary(l, estimate.Summary{Shots: 1e6, TempCel: math.NaN(), Zones: []estimate.SummaryZone{{Signal: signal + leak, SignalU: u, RangeMM: app, RangeUMM: 0.1, Ambient: 1}}}, estimate.Reference{DistanceMM: want})
		if err != nil {
			t.Fatal(err)
		}
		near(t, r["case"]+" "+r["true_mm"], o.Zones[0].RangeMM, want, 1e-7)
		near(t, r["case"]+" signal", o.Zones[0].Signal, signal, 1e-9)
	}
}

// Fisher's index of dispersion on published counts: Rutherford and Geiger
// 1910, Student 1907 (his series A fails), and short series.
func TestDispersionVectors(t *testing.T) {
	for _, r := range table(t, "optics/17_dispersion_freq.csv") {
		var x []float64
		for k, f := range strings.Fields(r["freq_of_0_1_2"]) {
			for range int(num(t, f)) {
				x = append(x, float64(k))
			}
		}
		d, up, low := estimate.Dispersion(x)
		near(t, r["case"]+" chi2", d, num(t, r["chi2"]), 1e-8)
		near(t, r["case"]+" upper", up, num(t, r["p_upper"]), 1e-6)
		near(t, r["case"]+" lower", low, num(t, r["p_lower"]), 1e-6)
	}
	for _, r := range table(t, "optics/17b_dispersion_series.csv") {
		var x []float64
		for _, f := range strings.Fields(r["counts"]) {
			x = append(x, num(t, f))
		}
		d, up, low := estimate.Dispersion(x)
		near(t, r["case"]+" chi2", d, num(t, r["chi2"]), 1e-8)
		near(t, r["case"]+" upper", up, num(t, r["p_upper_too_variable"]), 1e-6)
		near(t, r["case"]+" lower", low, num(t, r["p_lower_too_regular"]), 1e-6)
	}
}

// Figures that others printed: the mean count of Rutherford and Geiger, the
// one-sided and the two-sided chance of two Poisson counts.
func TestPublishedFigures(t *testing.T) {
	published := map[string]float64{}
	for _, r := range table(t, "optics/00_published.csv") {
		published[r["case"]] = num(t, r["published"])
	}
	for _, r := range table(t, "optics/17_dispersion_freq.csv") {
		if r["case"] == "G_rutherford_geiger_1910" {
			sum, n := 0.0, 0.0
			for k, f := range strings.Fields(r["freq_of_0_1_2"]) {
				sum += float64(k) * num(t, f)
				n += num(t, f)
			}
			if math.Abs(sum/n-published["G14"]) > 5e-6 { // five decimals are printed
				t.Errorf("mean count %.6f, printed %.5f", sum/n, published["G14"])
			}
		}
	}
	// A cell of 60 counts in 51,477.5 against 30 in 54,308.7: the deviate by
	// the counting distribution, whose saddle point is good to 0.15.
	const x, tx, y, ty = 60, 51477.5, 30, 54308.7
	pooled := (x + y) / (tx + ty)
	got := estimate.Deviate([]float64{1, -tx / ty}, []float64{pooled * tx, pooled * ty}, x-tx/ty*y)
	if want := -mathext.NormalQuantile(published["G18"]); math.Abs(got-want) > 0.15 {
		t.Errorf("deviate of 60 against 30 counts %.3f, printed chance gives %.3f", got, want)
	}
	// 209 counts in 40 against 230 in 60: printed two-sided.
	const x2, tx2, y2, ty2 = 209, 40.0, 230, 60.0
	pooled = (x2 + y2) / (tx2 + ty2)
	got = estimate.Deviate([]float64{1, -tx2 / ty2}, []float64{pooled * tx2, pooled * ty2}, x2-tx2/ty2*y2)
	if want := -mathext.NormalQuantile(published["G16"] / 2); math.Abs(got-want) > 0.15 {
		t.Errorf("deviate of 209 against 230 counts %.3f, printed chance gives %.3f", got, want)
	}
}

// One Poisson cell of known mean: the saddle point must give the deviate of
// the exact chance (the middle of the step at the count, which is where a
// smooth law crosses a discrete one).
func TestStrayDeviateOfOneCell(t *testing.T) {
	for _, r := range table(t, "optics/16b_poisson_threshold.csv") {
		mean := num(t, r["mean"])
		if mean < 1 { // a step of one count is then a sigma or more
			continue
		}
		x := num(t, r["k_min_detect_if_count_ge"]) - 1
		mid := (num(t, r["actual_pfa"]) + num(t, r["pfa_if_k_minus_1"])) / 2
		got := estimate.Deviate([]float64{1}, []float64{mean}, x-mean)
		if want := -mathext.NormalQuantile(mid); math.Abs(got-want) > 0.08 {
			t.Errorf("mean %g, count %g: deviate %.3f, want %.3f", mean, x, got, want)
		}
	}
}

// A cell against reference cells of unknown mean: the conditional binomial
// test of two Poisson counts (Przyborowski and Wilenski 1940; numbers of Gu
// et al. 2008). The pooled mean stands for the unknown one.
func TestStrayDeviateOfTwoCounts(t *testing.T) {
	for _, r := range table(t, "optics/16c_two_poisson.csv") {
		x, tx := num(t, r["count_cell"]), num(t, r["exposure_cell"])
		y, ty := num(t, r["count_ref"]), num(t, r["exposure_ref"])
		if y == 0 {
			continue
		}
		pooled := (x + y) / (tx + ty)
		k := tx / ty
		got := estimate.Deviate([]float64{1, -k}, []float64{pooled * tx, pooled * ty}, x-k*y)
		want := -mathext.NormalQuantile(num(t, r["p_midp_one_sided"]))
		if math.Abs(got-want) > 0.15 {
			t.Errorf("%s: deviate %.3f, want %.3f", r["case"], got, want)
		}
	}
}

// Planes seen by zones: exact radial ranges give slopes and distance back, and
// the standard deviations recomputed from textbook least squares follow from 1 mm a zone.
func TestPlaneVectors(t *testing.T) {
	zones := table(t, "optics/19_plane_zones.csv")
	for _, r := range table(t, "optics/19b_plane_fit.csv") {
		var ux, uy, sec, rad, u []float64
		for _, z := range zones {
			if z["case"] != r["case"] {
				continue
			}
			ux, uy = append(ux, num(t, z["tan_x"])), append(uy, num(t, z["tan_y"]))
			sec, rad = append(sec, num(t, z["radial_over_perp"])), append(rad, num(t, z["radial_mm"]))
			u = append(u, num(t, r["sigma_radial_mm"]))
		}
		if len(ux) == 0 {
			t.Fatalf("%s has no zones", r["case"])
		}
		z0 := num(t, r["z0_mm"])
		x, cov, tilt, ok := estimate.FitPlane(ux, uy, sec, rad, u, [4]float64{0, 0, 0, 1.1 * z0}, [4]bool{0: true})
		if !ok {
			t.Errorf("%s: no fit", r["case"])
			continue
		}
		near(t, r["case"]+" z0", x[3], z0, 1e-7)
		if a, b := num(t, r["slope_x"]), num(t, r["slope_y"]); math.Abs(x[1]-a) > 1e-8 || math.Abs(x[2]-b) > 1e-8 {
			t.Errorf("%s: slopes %.9f %.9f, want %.9f %.9f", r["case"], x[1], x[2], a, b)
		}
		near(t, r["case"]+" sd z0", math.Sqrt(cov[3][3]), num(t, r["sd_z0_mm"]), 1e-5)
		near(t, r["case"]+" sd slope x", math.Sqrt(cov[1][1]), num(t, r["sd_slope_x"]), 1e-5)
		near(t, r["case"]+" sd slope y", math.Sqrt(cov[2][2]), num(t, r["sd_slope_y"]), 1e-5)
		if want := num(t, r["tilt_total_deg"]); math.Abs(tilt.Deg-want) > 0.01 {
			t.Errorf("%s: tilt %.5f deg, want %.5f", r["case"], tilt.Deg, want)
		}
	}
}

// One bin of leakage subtracted: the net rate and its uncertainty come from
// both captures' counts, whatever their exposures; a net count of zero is no
// certain one.
func TestSubtraction(t *testing.T) {
	for _, r := range table(t, "optics/20_subtract.csv") {
		y, x, k := num(t, r["target_counts_Y"]), num(t, r["leak_counts_X"]), num(t, r["exposure_ratio_k"])
		const shots = 1_000_000
		// The signal of a pulse that lies in one bin alone, delay known, is the
		// net count: the likelihood's most likely rate and its weight there.
		m, mu := estimate.Profile(x, y, k*shots, shots, (y-x/k)/shots, 1)
		near(t, r["case"]+" net", (mu-m)*shots, num(t, r["net"]), 1e-9)
		v := mu/shots + m/(k*shots)
		near(t, r["case"]+" sd", math.Sqrt(v)*shots, num(t, r["sd"]), 1e-9)
		near(t, r["case"]+" extra variance", m/(k*shots)/(mu/shots), num(t, r["extra_variance_fraction"]), 1e-9)
	}
}

// A leakage histogram subtracted: centroid of the net and its standard
// deviation, in which the variances of both captures add.
func TestNetCentroid(t *testing.T) {
	bins := table(t, "optics/20c_net_histogram.csv")
	for _, r := range table(t, "optics/20d_net_centroid.csv") {
		var net, v []float64
		first, last := num(t, r["first_bin"]), num(t, r["last_bin"])
		k := num(t, r["exposure_ratio_k"])
		for _, b := range bins {
			if b["case"] != r["case"] {
				continue
			}
			y, x := num(t, b["target_counts"]), num(t, b["leak_counts"])
			n, s := y-x/k, y+x/k/k
			near(t, "net", n, num(t, b["net"]), 1e-9)
			near(t, "variance", s, num(t, b["variance"]), 1e-9)
			if i := num(t, b["bin"]); i < first || i > last {
				n, s = 0, 0
			}
			net, v = append(net, n), append(v, s)
		}
		w := 1000 * num(t, r["bin_ns"])
		e, err := estimate.New(estimate.Setup{
			Grid: estimate.Grid{Rows: 1, Cols: 1, Ux: []float64{0}, Uy: []float64{0}}, Bins: len(net), BinPS: w,
			LeakageWindowPS: [2]float64{0, 4 * w}, Pulse: gaussian(300, 20), Ranging: estimate.RangingMean,
		})
		if err != nil {
			t.Fatal(err)
		}
		ps, u := e.UnitRange(net, v)
		near(t, r["case"]+" centroid", ps/1000, num(t, r["centroid_ns"]), 1e-8)
		near(t, r["case"]+" sd", u/1000, num(t, r["centroid_sd_ns"]), 1e-8)
	}
}

// certified reads a stats vector.
func certified(t *testing.T, name string) (published map[string]float64, inputs map[string]any) {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/stats/" + name + ".json")
	if err != nil {
		t.Fatal(err)
	}
	var v struct {
		Published map[string]string
		Inputs    map[string]any
	}
	if err := json.Unmarshal(raw, &v); err != nil {
		t.Fatal(err)
	}
	published = map[string]float64{}
	for k, s := range v.Published {
		published[k] = num(t, s)
	}
	return published, v.Inputs
}

func xy(t *testing.T, name string) (x, y []float64) {
	for _, r := range table(t, "stats/"+name+".csv") {
		x, y = append(x, num(t, r["x"])), append(y, num(t, r["y"]))
	}
	return x, y
}

// NIST StRD nonlinear regression (doi:10.18434/T43G6C), Gauss1 and Gauss2,
// through the minimiser that every fit of the package uses, from both
// published starts. Seven digits are what plain double precision reaches with
// room to spare.
func TestNISTGauss(t *testing.T) {
	for _, name := range []string{"nist-strd-gauss1", "nist-strd-gauss2"} {
		want, in := certified(t, name)
		x, y := xy(t, name)
		model := func(b []float64, x float64, d *[8]float64) float64 {
			e0 := math.Exp(-b[1] * x)
			u, v := (x-b[3])/b[4], (x-b[6])/b[7]
			e1, e2 := math.Exp(-u*u), math.Exp(-v*v)
			*d = [8]float64{e0, -b[0] * x * e0, e1, b[2] * e1 * 2 * u / b[4], b[2] * e1 * 2 * u * u / b[4], e2, b[5] * e2 * 2 * v / b[7], b[5] * e2 * 2 * v * v / b[7]}
			return b[0]*e0 + b[2]*e1 + b[5]*e2
		}
		for _, start := range []string{"start_1", "start_2"} {
			var b []float64
			for _, s := range in[start].([]any) {
				b = append(b, num(t, s.(string)))
			}
			best, cost, cov, ok := estimate.Minimise(b, func(b, g, h []float64) float64 {
				clear(g)
				clear(h)
				c := 0.0
				var d [8]float64
				for i := range x {
					r := y[i] - model(b, x[i], &d)
					c += r * r / 2
					for j := range 8 {
						g[j] -= r * d[j]
						for k := range j + 1 {
							h[j*8+k] += d[j] * d[k]
						}
					}
				}
				return c
			}, 1e-14)
			if !ok {
				t.Errorf("%s %s: not converged", name, start)
			}
			sd2 := 2 * cost / float64(len(x)-8)
			near(t, name+" residual sd", math.Sqrt(sd2), want["residual_sd"], 1e-9)
			near(t, name+" RSS", 2*cost, want["RSS"], 1e-9)
			for j := range 8 {
				n := "b" + strconv.Itoa(j+1)
				near(t, name+" "+start+" "+n, best[j], want[n], 1e-7)
				near(t, name+" "+start+" sd "+n, math.Sqrt(sd2*cov(j)[j]), want["sd_"+n], 1e-6)
			}
		}
	}
}

// NIST StRD linear regression, Norris: the same core on a straight line.
func TestNISTNorris(t *testing.T) {
	want, _ := certified(t, "nist-strd-norris")
	x, y := xy(t, "nist-strd-norris")
	best, cost, cov, ok := estimate.Minimise([]float64{0, 0}, func(b, g, h []float64) float64 {
		clear(g)
		clear(h)
		c := 0.0
		for i := range x {
			r := y[i] - b[0] - b[1]*x[i]
			c += r * r / 2
			g[0] -= r
			g[1] -= r * x[i]
			h[0]++
			h[2] += x[i]
			h[3] += x[i] * x[i]
		}
		return c
	}, 1e-16)
	if !ok {
		t.Error("not converged")
	}
	sd2 := 2 * cost / float64(len(x)-2)
	near(t, "B0", best[0], want["B0"], 1e-9)
	near(t, "B1", best[1], want["B1"], 1e-12)
	near(t, "residual sd", math.Sqrt(sd2), want["residual_sd"], 1e-10)
	near(t, "sd B0", math.Sqrt(sd2*cov(0)[0]), want["sd_B0"], 1e-9)
	near(t, "sd B1", math.Sqrt(sd2*cov(1)[1]), want["sd_B1"], 1e-9)
}

// GUM (JCGM 100:2008) example H.1: the end gauge's contributions combine to
// 32 nm.
func TestGUMEndGauge(t *testing.T) {
	want, in := certified(t, "gum-h1-end-gauge")
	var c []float64
	for _, s := range in["contributions_nm"].([]any) {
		c = append(c, num(t, s.(string)))
	}
	if got := estimate.CombinedU(c...); math.Round(got) != want["uc_nm"] {
		t.Errorf("combined %g nm, want %g", got, want["uc_nm"])
	}
}
