package proposing

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/study"
	"example.org/panecal/limits/whatif"
	"example.org/panecal/station/window"
)

// vectors reads a table of check vectors.
func vectors(t *testing.T, name string) (rows []map[string]string) {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "..", "testdata", "window", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	lines, err := r.ReadAll()
	if err != nil || len(lines) < 2 {
		t.Fatal(name, err)
	}
	for _, l := range lines[1:] {
		m := map[string]string{}
		for i, c := range l {
			m[lines[0][i]] = c
		}
		rows = append(rows, m)
	}
	return rows
}

// A drawing's ways of the light are those of the published vectors of paths and
// scatter (testdata/window names their source).
func TestDrawingVectors(t *testing.T) {
	const head = "[window]\nbaseline_mm = %s\ngap_mm = %s\nhalf_power_deg = %s\naperture_mm2 = 0.1\ntop_reflectance = 0.3\nthickness_mm = %s\nindex = %s\ngroup_index = %s\n"
	for _, r := range vectors(t, "window_paths.csv") {
		d, err := readDrawing("d", fmt.Appendf(nil, head, r["baseline_mm"], r["gap_mm"], "25", r["thickness_mm"], r["n"], r["n_group"]))
		if err != nil {
			t.Fatal(err)
		}
		a := d.expect(100, 1)
		found := false
		for _, p := range a.Paths {
			inner := r["surface"] == "lower"
			if fmt.Sprint(p.GapTrips) != r["gap_round_trips_m"] || fmt.Sprint(p.PlateTrips) != r["plate_round_trips_k"] || inner != (p.Face == window.Inner) {
				continue
			}
			found = true
			for column, got := range map[string]float64{"equivalent_distance_mm": p.DistanceMM, "power_fraction_lambert_m_25deg_Ar0p1_rho0p3": p.Fraction} {
				want, err := strconv.ParseFloat(r[column], 64)
				if err != nil || math.Abs(got-want) > 1e-8*want {
					t.Errorf("%s %s: %.10g, want %.10g", r["case"], column, got, want)
				}
			}
		}
		if !found && r["gap_round_trips_m"] < "4" { // further trips are left out
			t.Errorf("%s: no such way among %+v", r["case"], a.Paths)
		}
	}
	for _, r := range vectors(t, "leak_scatter.csv")[:3] {
		d, err := readDrawing("d", append(fmt.Appendf(nil, head, r["baseline_mm"], r["gap_mm"], r["emitter_half_power_deg"], "1", "1.508", "1.52"), "inner_scatter = 0.002\n"...))
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range d.expect(100, 1).Paths {
			want, _ := strconv.ParseFloat(r["fraction_rho0p002_A0p1mm2"], 64)
			if p.Face == window.InnerScatter && math.Abs(p.Fraction/want-1) > 1e-6 {
				t.Errorf("%s: %g, want %g", r["case"], p.Fraction, want)
			}
		}
	}
}

const pane = `[window]
material = "N-BK7"
thickness_mm = 1.1
thickness_sd_mm = 0.015
gap_mm = 0.4
gap_sd_mm = 0.04
tilt_sd_deg = 0.3
baseline_mm = 2.5
half_power_deg = 25
aperture_mm2 = 0.2
top_reflectance = 0.1
inner_scatter = 0.0002
outer_scatter = 0.0002

[unit]
energy_nj = 0.1
energy_sd = 0.04
optics = 0.7
detection = 0.05
acceptance = 6.4e-6
acceptance_sd = 0.12
`

// Draws agree with first-order propagation where tolerances are small, a
// gasket takes most of the leakage away, and a seed says the draws again.
func TestDrawingSpread(t *testing.T) {
	read := func(text string) drawing {
		d, err := readDrawing("pane.toml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	d := read(strings.Replace(pane, "gap_sd_mm = 0.04", "gap_sd_mm = 0.004", 1))
	a := d.expect(4000, 1)
	rel := 0.0
	for _, c := range a.Causes {
		rel = math.Hypot(rel, c.RelSD)
	}
	// sd of 4,000 draws: 1.1 % of itself; tilt acts to second order.
	if got := a.Leakage.SD / a.Leakage.Mean; math.Abs(got/rel-1) > 0.05 {
		t.Errorf("relative sd %g of draws, %g by propagation: %+v", got, rel, a.Causes)
	}
	if a.Leakage.P5 >= a.Leakage.P50 || a.Leakage.P50 >= a.Leakage.P95 || a.Leakage.Nominal < 0.002 || a.Leakage.Nominal > 0.004 {
		t.Errorf("%+v", a.Leakage)
	}
	if b := d.expect(4000, 1); b.Leakage.Mean != a.Leakage.Mean {
		t.Error("the same seed drew other windows")
	}
	if g := read(strings.Replace(pane, "top_reflectance = 0.1", "top_reflectance = 0.1\ngasket_mm = 1.8\ngasket_sd_mm = 0.05", 1)).expect(500, 1); g.Leakage.Mean > 0.1*a.Leakage.Mean {
		t.Errorf("with a gasket %g, without %g", g.Leakage.Mean, a.Leakage.Mean)
	}
	if bare := read(pane[:strings.Index(pane, "\n[unit]")]).expect(100, 1); bare.Leakage != nil || bare.Fraction.Mean <= 0 {
		t.Errorf("without a unit: %+v", bare)
	}
}

// Mistakes in a drawing have a place and a mend.
func TestDrawingFaults(t *testing.T) {
	for from, to := range map[string][2]string{
		"gap_mm = 0.4":            {"gap_mm = 0", "gap_mm of 0"},
		"aperture_mm2 = 0.2":      {"aperture_mm2 = -1", "aperture_mm2"},
		`material = "N-BK7"`:      {`material = "jelly"`, "fused_silica"},
		"half_power_deg = 25":     {"half_power_deg = 95", "half-power"},
		"tilt_sd_deg = 0.3":       {"tilt_deg = 80", "tilted"},
		"outer_scatter = 0.0002":  {"outer_scatter = 2", "share"},
		"detection = 0.05":        {"detection = 5", "detection of 5"},
		"acceptance_sd = 0.12":    {"acceptance_sd = -1", "negative"},
		"thickness_sd_mm = 0.015": {"thickness_sd_mm = -1", "negative"},
		"top_reflectance = 0.1":   {"top_reflectanse = 0.1", "top_reflectance"},
		"baseline_mm = 2.5":       {"", "baseline_mm"},
		"energy_nj = 0.1":         {"", "energy_nj"},
		"inner_scatter = 0.0002":  {"wavelength_um = 10", "wavelength"},
		"thickness_mm = 1.1":      {"index = 1.5\nthickness_mm = 1.1", "keep one"},
	} {
		_, err := readDrawing("pane.toml", []byte(strings.Replace(pane, from, to[0], 1)))
		if err == nil || !strings.Contains(err.Error(), to[1]) || !strings.Contains(err.Error(), "pane.toml:") {
			t.Errorf("%q: %v, want %q", to[0], err, to[1])
		}
	}
}

// Numbers are written into their tables and nowhere else; every other byte stays.
func TestEdit(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "sample", "hopper-54.limits.toml"))
	if err != nil {
		t.Fatal(err)
	}
	changes := []change{{"leakage.max", "high", 0.0101}, {"offset.mean", "low", -12}, {"offset.mean", "typical_sd", 3}}
	made, err := edit("l.toml", text, []string{"one", "two"}, changes)
	if err != nil {
		t.Fatal(err)
	}
	was, is := strings.Split("# one\n# two\n"+string(text), "\n"), strings.Split(string(made), "\n")
	differ := []string{}
	for i := range was {
		if was[i] != is[i] {
			differ = append(differ, is[i])
		}
	}
	if len(was) != len(is) || strings.Join(differ, "; ") != "high = 0.0101; low = -12; typical_sd = 3" {
		t.Errorf("%d lines of %d, changed: %q", len(is), len(was), differ)
	}
	if f, err := limits.Read("l.toml", made); err != nil || *f.Limits[0].High != 0.0101 {
		t.Errorf("%v", err)
	}
	for _, c := range []change{{"leakage.max", "low", 1}, {"leakage.distance", "high", 1}, {"offset.mean", "low", 50}} {
		if _, err := edit("l.toml", text, nil, []change{c}); err == nil {
			t.Errorf("%+v was taken", c)
		}
	}
}

func TestOutward(t *testing.T) {
	for _, c := range []struct {
		v    float64
		up   bool
		want float64
	}{{0.0123456, true, 0.01235}, {0.0123456, false, 0.01234}, {-8.87654, false, -8.877}, {-8.87654, true, -8.876}, {0, true, 0}, {123456, true, 123500}, {0.012, true, 0.012}, {0.012, false, 0.012}} {
		if got := outward(c.v, c.up); got != c.want {
			t.Errorf("%v, up %v: %v, want %v", c.v, c.up, got, c.want)
		}
	}
}

// Typical values of zones are those of the units that were drawn: by 300 units of 54
// zones, mean and standard deviations within three times their own scatter.
func TestUsualZones(t *testing.T) {
	const mean, sd, zone, u, n = 5.0, 0.5, 0.3, 0.2, 300
	r := rand.New(rand.NewPCG(5, 7))
	var units []whatif.Unit
	for range n {
		unit, zones := mean+sd*r.NormFloat64(), make([]quantity.Value, 54)
		for z := range zones {
			zones[z] = quantity.Value{V: unit + zone*r.NormFloat64() + u*r.NormFloat64(), U: u}
		}
		zones[r.IntN(54)].V = math.NaN()
		units = append(units, whatif.Unit{Set: quantity.Set{quantity.LeakageMax: quantity.Worst(zones)}})
	}
	d, _ := quantity.Lookup(quantity.LeakageMax)
	one, high := 1.0, 9.0
	q := screened{}
	l := limits.Limit{Definition: d, High: &high, Typical: &one, TypicalU: &one, TypicalSD: &one, TypicalZoneSD: &one}
	if err := q.usualZones(l, units, study.ScreeningOptions{Sides: 1, Coverage: 0.9, Confidence: 0.9, Multiplier: 4}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name            string
		got             *float64
		want, tolerance float64
	}{
		{"typical", q.typical, mean, 3 * 1.2533 * sd / math.Sqrt(n)},
		{"typical_u", q.typicalU, u, 1e-12},
		{"typical_sd", q.typicalSD, math.Hypot(sd, math.Hypot(zone, u)/math.Sqrt(54)), 3 * 1.17 * sd / math.Sqrt(n)},
		{"typical_zone_sd", q.typicalZone, zone, 0.02},
	} {
		if c.got == nil || !(math.Abs(*c.got-c.want) <= c.tolerance) {
			t.Errorf("%s %v, want %v within %v", c.name, *c.got, c.want, c.tolerance)
		}
	}
}
