package limits_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
)

// zoned is a file with one limit over zones.
func zoned(zones, keys string) string {
	return "product = \"p\"\n" + zones + "\n[limit.\"verify.error\"]\nunit = \"mm\"\nlow = -3\nlow_bin = \"verify\"\nhigh = 3\nhigh_bin = \"verify\"\n" + keys
}

// TestForecast makes units as typical values say, judges them, and counts. The
// forecast is right within four standard errors of the counts; the worst of 54
// zones fails many times as often as one zone does.
func TestForecast(t *testing.T) {
	const seed, units, n = 3, 6000, 54
	t.Logf("seed %d, %d units of %d zones a case", seed, units, n)
	for _, c := range []struct {
		name               string
		k, typical, u      float64
		sd, zoneSD         float64
		oneZoneFailsAtMost float64
	}{
		{"scatter between zones", 0, 0, 0.2, 0.3, 0.8, 0.002},
		{"guarded", 2, 0, 0.2, 0.3, 0.6, 0.002},
		{"off centre", 1, 1, 0.1, 0.5, 0.4, 0.01},
		{"units differ most", 1, 0, 0.1, 1.2, 0.1, 0.05},
		{"zones alike", 0, 0.5, 0.4, 0.6, 0, 0.01},
		{"units alike", 1, 0, 0.3, 0, 0.7, 0.01},
		{"no uncertainty", 2, 0, 0, 0.4, 0.8, 0.01},
	} {
		text := fmt.Sprintf("k = %v\ntypical = %v\ntypical_u = %v\ntypical_sd = %v\ntypical_zone_sd = %v\n", c.k, c.typical, c.u, c.sd, c.zoneSD)
		f := read(t, zoned(fmt.Sprintf("zones = %d", n), text))
		got := limits.Check(f).Limits[0]
		r := rand.New(rand.NewPCG(seed, 0))
		var fail, conforming, falseReject, falseAccept, oneZone int
		zones := make([]quantity.Value, n)
		for range units {
			unit := c.typical + c.sd*r.NormFloat64()
			good := true
			for z := range zones {
				v := unit + c.zoneSD*r.NormFloat64()
				good = good && v >= -3 && v <= 3
				zones[z] = quantity.Value{V: v + c.u*r.NormFloat64(), U: c.u}
			}
			passed := f.Judge(quantity.Set{quantity.VerifyError: quantity.Worst(zones)}).Passed
			count := func(n *int, is bool) {
				if is {
					*n++
				}
			}
			count(&fail, !passed)
			count(&conforming, good)
			count(&falseReject, good && !passed)
			count(&falseAccept, !good && passed)
			count(&oneZone, math.Abs(zones[0].V)+c.k*c.u > 3)
		}
		for name, pair := range map[string]struct {
			forecast *float64
			counted  int
		}{"fail": {got.Fail, fail}, "conforming": {got.Conforming, conforming}, "false reject": {got.FalseReject, falseReject}, "false accept": {got.FalseAccept, falseAccept}} {
			p, counted := *pair.forecast, float64(pair.counted)/units
			if math.Abs(p-counted) > 4*math.Sqrt(max(p*(1-p), 1.0/units)/units) {
				t.Errorf("%s, %s: forecast %.4g, counted %.4g", c.name, name, p, counted)
			}
		}
		if share := float64(oneZone) / units; share > 2*c.oneZoneFailsAtMost {
			t.Errorf("%s: one zone fails in %v, the case shows nothing", c.name, share)
		}
	}
}

func TestForecastKeys(t *testing.T) {
	typical := "k = 0\ntypical = 0\ntypical_u = 0.1\ntypical_sd = 0.2\n"
	for _, c := range []struct{ name, file, want string }{
		{"no number of zones", zoned("", typical+"typical_zone_sd = 0.5\n"),
			"f.toml:13:19: the file does not say how many zones a unit has; mend: add zones = …, such as zones = 54, beside product"},
		{"no zones at all", zoned("zones = 0", typical), "f.toml:2:9: a unit with 0 zones; mend: write how many zones the product has, such as zones = 54"},
		{"negative", zoned("zones = 2", typical+"typical_zone_sd = -1\n"), "typical_zone_sd is negative"},
		{"of a quantity without zones", "product = \"p\"\nzones = 2\n[limit.\"seat.tilt\"]\nunit = \"deg\"\nhigh = 1\nhigh_bin = \"verify\"\nk = 0\ntypical = 0\ntypical_zone_sd = 1\n",
			"seat.tilt has no zones; mend: take it out"},
	} {
		_, err := limits.Read("f.toml", []byte(c.file))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v; want %q", c.name, err, c.want)
		}
	}
	// A file of before: one value, and the report says that it is too rosy.
	r := limits.Check(read(t, zoned("", typical)))
	if len(r.Problems) != 1 || !strings.Contains(r.Problems[0].Text, "no zones and typical_zone_sd") || r.Limits[0].Zones != 0 {
		t.Errorf("%+v", r.Problems)
	}
	if r := limits.Check(read(t, zoned("zones = 1", typical))); len(r.Problems) != 0 {
		t.Errorf("one zone: %+v", r.Problems)
	}
	// A product of one zone: its zones scatter too. Low and high at 3, total
	// sd 1.5: 2·Φ(−2) fail.
	r = limits.Check(read(t, zoned("zones = 1", "k = 0\ntypical = 0\ntypical_u = 0\ntypical_sd = 0.9\ntypical_zone_sd = 1.2\n")))
	if fail := *r.Limits[0].Fail; math.Abs(fail-0.0455002639) > 1e-9 {
		t.Errorf("one zone: %v fail", fail)
	}
	// The rarest units count too: 2·Φ(−7.5).
	r = limits.Check(read(t, zoned("zones = 1", "k = 0\ntypical = 0\ntypical_u = 0.0001\ntypical_sd = 0.4\n")))
	if fail := *r.Limits[0].Fail; math.Abs(fail/6.3817834e-14-1) > 0.02 {
		t.Errorf("seven and a half standard deviations: %v fail", fail)
	}
}

// A limit that nothing can pass is a mistake in the file.
func TestNothingPasses(t *testing.T) {
	limit := func(name, unit, keys string) string {
		return fmt.Sprintf("product = \"p\"\n[limit.%q]\nunit = %q\nk = 0\n%s\n", name, unit, keys)
	}
	for _, c := range []struct {
		name, file string
		refused    bool
	}{
		{"fewer than no zones", limit("zones.dead", "{zone}", "high = -1\nhigh_bin = \"verify\""), true},
		{"no zones", limit("zones.dead", "{zone}", "high = 0\nhigh_bin = \"verify\""), false},
		{"a spread below nought", limit("offset.spread", "mm", "high = -0.1\nhigh_bin = \"verify\""), true},
		{"a ratio above one", limit("signal.ratio", "1", "low = 1.1\nlow_bin = \"verify\""), true},
		{"a ratio of one", limit("signal.ratio", "1", "low = 1\nlow_bin = \"verify\""), false},
		{"colder than can be", limit("temperature", "Cel", "high = -300\nhigh_bin = \"verify\""), true},
		{"a net count may be below nought", limit("leakage.total", "{count}/{shot}", "high = -0.1\nhigh_bin = \"verify\""), false},
		{"typical far outside", limit("seat.tilt", "deg", "high = 1\nhigh_bin = \"verify\"\ntypical = 2\ntypical_u = 0.1"), true},
		{"typical far outside, high open", limit("offset.mean", "mm", "low = 1\nlow_bin = \"verify\"\ntypical = -9\ntypical_u = 0.1\ntypical_sd = 1"), true},
		{"typical outside, some pass", limit("seat.tilt", "deg", "high = 1\nhigh_bin = \"verify\"\ntypical = 2\ntypical_u = 0.1\ntypical_sd = 0.3"), false},
		{"1.2 in a million pass", limit("seat.tilt", "deg", "high = 1\nhigh_bin = \"verify\"\ntypical = 5.72\ntypical_u = 1"), false}, // Φ(−4.72)
		{"0.9 in a million pass", limit("seat.tilt", "deg", "high = 1\nhigh_bin = \"verify\"\ntypical = 5.78\ntypical_u = 1"), true},
		{"every zone has to pass", "product = \"p\"\nzones = 54\n[limit.\"verify.error\"]\nunit = \"mm\"\nlow = -0.5\nlow_bin = \"verify\"\nhigh = 0.5\nhigh_bin = \"verify\"\nk = 0\ntypical = 0\ntypical_u = 0\ntypical_zone_sd = 1\n", true},
	} {
		_, err := limits.Read("f.toml", []byte(c.file))
		if c.refused != (err != nil && strings.Contains(err.Error(), "nothing can pass")) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

// Shares are written so that people can read them, from parts of a million to
// all.
func TestHeadline(t *testing.T) {
	for _, c := range []struct{ keys, want string }{
		{"typical = 0\ntypical_u = 1", "Units that will fail: 0.27 %, most by verify.error."},
		{"typical = 0\ntypical_u = 0.5", "Units that will fail: 0.0020 ppm, most by verify.error."},
		{"typical = 0\ntypical_u = 0", "Units that will fail: 0."},
		{"typical = 3\ntypical_u = 1", "Units that will fail: 50 %, most by verify.error."},
		{"typical = 1.7166\ntypical_u = 1", "Units that will fail: 10 %, most by verify.error."}, // 9.97 %
		{"typical = 5\ntypical_u = 1", "Units that will fail: 98 %, most by verify.error."},
		{"typical = 6.2\ntypical_u = 1", "Units that will fail: over 99.9 %, most by verify.error."},
		{"typical = 3\ntypical_u = 0.01\ntypical_sd = 0", "Units that will fail: 50 %, most by verify.error."},
		{"", "How many units will fail is not known: no limit has typical and typical_u."},
	} {
		var b strings.Builder
		if err := limits.Check(read(t, zoned("zones = 1", "k = 0\n"+c.keys+"\n"))).WriteText(&b); err != nil {
			t.Fatal(err)
		}
		if first, _, _ := strings.Cut(b.String(), "\n"); first != c.want {
			t.Errorf("%q: %q, want %q", c.keys, first, c.want)
		}
		if strings.Contains(b.String(), "e+") {
			t.Errorf("%q: a share with an exponent:\n%s", c.keys, &b)
		}
	}
	// Three limits that fail by themselves: alike, or one after the other.
	three := "product = \"p\"\n"
	for _, q := range []string{"offset.mean", "offset.spread", "estimator.difference"} {
		three += fmt.Sprintf("[limit.%q]\nunit = \"mm\"\nhigh = 1\nhigh_bin = \"verify\"\nk = 0\ntypical = 0\ntypical_u = 1\n", q)
	}
	r := limits.Check(read(t, three))
	q := 0.15865525393145707 // Φ(−1)
	if near := func(a, b float64) bool { return math.Abs(a-b) < 1e-12 }; !near(r.UnitsFail.Lower, q) || !near(r.UnitsFail.Upper, 3*q) || !near(r.UnitsFail.Value, 1-math.Pow(1-q, 3)) {
		t.Errorf("%+v", r.UnitsFail)
	}
}

// Names, codes and texts that contradict each other or that no screen can
// show are refused.
func TestBinsMustBeClear(t *testing.T) {
	edit := func(pairs ...string) string { return strings.NewReplacer(pairs...).Replace(good) }
	long := strings.Repeat("x", 91)
	for _, c := range []struct{ name, file, want string }{
		{"a scrap box for rework", edit("hard = \"rework\"", "hard = \"scrap\""), "soft bin dirty has disposition rework and goes to hard bin scrap, which says scrap"},
		{"by its text", edit("hard = \"rework\"", "hard = \"box_b\"") + "[hard_bin.box_b]\nnumber = 8\ntext = \"Scrap box\"\n", "goes to hard bin box_b, which says scrap"},
		{"by its name among words", edit("hard = \"rework\"", "hard = \"hold_2\"") + "[hard_bin.hold_2]\nnumber = 8\n", "which says hold"},
		{"code", edit("code = \"W1\"", "code = \"W123456789012\""), "code takes 13 cells, the screens have 12"},
		{"instruction", edit("Wipe the window, run again.", long), "instruction takes 91 cells, the screens have 90"},
		{"instruction of a limit", edit("Check the seat, then put the unit in the hold box.", long), "instruction takes 91 cells"},
		{"two lines", edit("Wipe the window, run again.", "Wipe\\nrun"), "more than one line"},
		{"name of a soft bin", good + "[bin.no_answer]\ntext = \"" + strings.Repeat("y", 25) + "\"\n", "text takes 25 cells, the screens have 24"},
		{"name of a hard bin", good + "[hard_bin.hold]\nnumber = 3\ntext = \"" + strings.Repeat("y", 25) + "\"\n", "text takes 25 cells, the screens have 24"},
		{"wide characters", edit("code = \"W1\"", "code = \"窓窓窓窓窓窓窓\""), "code takes 14 cells"},
		{"no author", good + "[release]\nauthor = \" \"\nreason = \"x\"\n", "the release has no author"},
		{"author and approver but for case", good + "[release]\nauthor = \"A. Weber\"\napprover = \"a. weber \"\n", "the same person"},
	} {
		_, err := limits.Read("f.toml", []byte(c.file))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v; want %q", c.name, err, c.want)
		}
	}
	for name, file := range map[string]string{
		"as long as there is room": edit("code = \"W1\"", "code = \"W12345678901\"", "Wipe the window, run again.", strings.Repeat("x", 90)),
		"a box of any name":        edit("hard = \"rework\"", "hard = \"blue\"") + "[hard_bin.blue]\nnumber = 8\ntext = \"blue box\"\n",
		"a box that says more":     edit("hard = \"rework\"", "hard = \"blue\"") + "[hard_bin.blue]\nnumber = 8\ntext = \"hold for rework\"\n",
	} {
		if _, err := limits.Read("f.toml", []byte(file)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}
