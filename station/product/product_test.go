package product_test

import (
	"errors"
	"strings"
	"testing"

	"example.org/panecal/limits/strict"
	"example.org/panecal/station/label"
	"example.org/panecal/station/product"
)

const good = `name = "hopper-4"
limits = "hopper-4.limits.toml"
firmware = ["1.0", "1.1"]
reports = "histograms"

[line]
baud = 921600

[label]
pattern = "H4-[0-9]+"
check = "none"
tie = "list"
[label.pairs]
"H4-1" = "aa01"
"H4-2" = "aa02"

[retest]
max_attempts = 3
after_pass = false

[capture.empty]
shots = 100000
frames = 20
[capture.target]
shots = 50000
frames = 10
[capture.verify]
shots = 50000
frames = 4

[grid]
rows = 2
cols = 2
fov_x_deg = 60
fov_y_deg = 40
spacing = "equal-tangent"

[bins]
count = 64
width_ps = 250
first_ps = -1500
pile_up = "first-photon"
leakage_window_ps = [-1500, 2500]
count_max = 65535

[range]
datum_mm = 1.5
corrects = "unit"
offsets = "one"
tilt = "unit"
ranging = "mean"
working_mm = [500, 1000]
leakage_change = 0.5

[temperature]
reference_cel = 25
coefficient_mm_per_k = 0.06

[budget]
leakage_change_u = 0.02

[spread]
bin_width = 0.01

[checks]
max_dead_hot = 0
family_wise = 0.002
frame_excess = 0

[pulse]
start_ps = -500
step_ps = 250
density = [0, 0.5, 1, 0.5, 0]
`

func TestRead(t *testing.T) {
	p, err := product.Read("p.toml", []byte(good))
	if err != nil {
		t.Fatal(err)
	}
	s := p.Setup
	if p.Name != "hopper-4" || p.Signed || len(p.Revision) != 64 || p.Firmware[1] != "1.1" || p.Reports != product.ReportsHistograms ||
		p.Capture.Empty.Total() != 2_000_000 || p.Line.Baud != 921600 || p.Label.Pairs["H4-2"] != "aa02" || p.Retest.MaxAttempts != 3 ||
		p.LimitsFile != "hopper-4.limits.toml" || p.CompensationAlwaysOn {
		t.Errorf("read %+v", p)
	}
	if s.Bins != 64 || s.BinPS != 250 || s.FirstBinPS != -1500 || s.PileUp != "first-photon" || s.LeakageWindowPS != [2]float64{-1500, 2500} ||
		s.DatumMM != 1.5 || s.Corrects != "unit" || s.Offsets != "one" || s.Tilt != "unit" || s.Ranging != "mean" ||
		s.WorkingMM[1] != 1000 || s.LeakageChangeStated != 0.5 || s.Pulse.Density[2] != 1 {
		t.Errorf("setup %+v", s)
	}
	// One key serves the checks and the budget; 0 in the file is none, what
	// is not there has the estimator's default.
	if s.Budget.BinWidth != 0.01 || s.Checks.BinWidth != 0.01 || s.Checks.PulseWidth != 0 || s.Checks.MaxDeadHot != -1 ||
		s.Checks.FrameExcess != -1 || s.Checks.FamilyWise != 0.002 || s.Checks.CountMax != 65535 ||
		s.Budget.LeakageChangeU != 0.02 || s.Budget.TempCoeff != 0.06 || s.Budget.TempRefCel != 25 {
		t.Errorf("checks %+v, budget %+v", s.Checks, s.Budget)
	}
	if l, err := p.Label.Rules.Parse("H4-7"); err != nil || l.Serial != "H4-7" {
		t.Errorf("label rules: %+v, %v", l, err)
	}
}

type edit struct{ name, old, new, want string }

func TestReadFaults(t *testing.T) {
	for _, c := range []edit{
		{"unknown key", "baud = 921600", "baudrate = 921600", `p.toml:7:1: unknown key "baudrate"; mend: take it out; known here: baud close open`},
		{"missing table", "[retest]\nmax_attempts = 3\nafter_pass = false\n", "", `p.toml:1:1: "retest" is missing; mend: add [retest] with max_attempts and after_pass`},
		{"missing key", "reference_cel = 25\n", "", `p.toml:55:2: "reference_cel" is missing; mend: add reference_cel = …, the temperature that offsets are referred to`},
		{"no name", `"hopper-4"`, `""`, `p.toml:1:8: the product has no name; mend: write what units say of themselves`},
		{"no firmware", `["1.0", "1.1"]`, `[]`, `p.toml:3:1: no firmware is allowed; mend: write the versions that may be calibrated, such as firmware = ["1.4.0"]`},
		{"reports", `"histograms"`, `"pictures"`, `p.toml:4:11: reports cannot be "pictures"; mend: write one of: histograms, summary`},
		{"baud", "921600", "92", `p.toml:7:8: 92 Bd is no speed of a serial line; mend: write baud = 921600`},
		{"close without open", "baud = 921600", "baud = 921600\nclose = 'x'", `p.toml:8:9: close without open; mend: add open = …, or take close out`},
		{"zero byte to the console", "baud = 921600", `baud = 921600
open = "a\u0000"`, `p.toml:8:8: open is longer than 200 bytes or has a zero byte; mend: write the line that the unit's console takes`},
		{"pattern", `"H4-[0-9]+"`, `"H4-["`, "p.toml:10:11: making label rules: error parsing regexp: missing closing ]: `[`; mend: write a regular expression for the whole serial"},
		{"check system", `check = "none"`, `check = "mod 37"`, `p.toml:11:9: check cannot be "mod 37"; mend: write one of: none, MOD 11-2, MOD 37-2, MOD 97-10, MOD 11,10, MOD 37,36`},
		{"tie", `"list"`, `"lost"`, `p.toml:12:7: tie cannot be "lost"; mend: write one of: unit, list, first`},
		{"pairs without list", `"list"`, `"unit"`, `p.toml:13:8: pairs are not used unless tie is list; mend: write tie = "list", or take the pairs out`},
		{"list without pairs", "[label.pairs]\n\"H4-1\" = \"aa01\"\n\"H4-2\" = \"aa02\"\n", "", `p.toml:12:7: tie is list, and there are no pairs; mend: add [label.pairs] with serial = unit identity`},
		{"pair of a label that is not taken", `"H4-2"`, `"H5-2"`, `p.toml:15:10: the serial does not fit the product's pattern: H4-[0-9]+: character 2 of H5-2 is 5; mend: write the serial as on the label`},
		{"unit twice in the list", `"aa02"`, `"aa01"`, `p.toml:15:10: unit aa01 has serials H4-1 and H4-2; mend: keep one of the two`},
		{"restart", "[retest]", "[constants]\nrestart = \"seldom\"\n[retest]", `p.toml:18:11: restart cannot be seldom; mend: write restart = "every", restart = "never", or a whole number to 1000 for one unit in so many`},
		{"restart of none", "[retest]", "[constants]\nrestart = 0\n[retest]", `p.toml:18:11: restart cannot be 0; mend: write restart = "every", restart = "never", or a whole number to 1000 for one unit in so many`},
		{"attempts", "max_attempts = 3", "max_attempts = 0", `p.toml:18:16: max_attempts is 1 to 100; mend: write max_attempts = 3: testing until it passes releases bad units`},
		{"no shots", "shots = 100000", "shots = 0", `p.toml:21:10: 20 frames of 0 shots are no capture; mend: write shots (in each frame) and frames, from 1, at most 2147483647 shots in all`},
		{"too many shots", "shots = 100000", "shots = 200000000", `p.toml:21:10: 20 frames of 200000000 shots are no capture`},
		{"no grid", "rows = 2", "rows = 0", `p.toml:31:2: 0 rows of 2 zones are no grid; mend: write rows and cols from 1, at most 16384 zones`},
		{"no directions", "fov_x_deg = 60\nfov_y_deg = 40\nspacing = \"equal-tangent\"\n", "", `p.toml:31:2: the zones have no directions; mend: add ux and uy`},
		{"falloff beside directions", "fov_x_deg = 60\nfov_y_deg = 40\nspacing = \"equal-tangent\"", "ux = [0, 0, 0, 0]\nuy = [0, 0, 0, 0]\nfalloff_power = 7", `p.toml:36:17: falloff_power beside directions that are given; mend: take it out: directions are effective, the signal's spread over a zone is in them`},
		{"wide falloff", "fov_y_deg = 40", "fov_y_deg = 40\nfalloff_power = -1", `p.toml:36:17: falloff_power of -1; mend: write 0 to 100; even light before a matt plane is 7`},
		{"directions twice", "rows = 2", "rows = 2\nux = [0]", `p.toml:31:2: the directions are given twice; mend: keep ux and uy, or fov_x_deg, fov_y_deg and spacing`},
		{"half a rule", "fov_y_deg = 40\n", "", `p.toml:31:2: fov_y_deg is missing; mend: add fov_y_deg = …, from edge to edge`},
		{"wide field", "fov_y_deg = 40", "fov_y_deg = 180", `p.toml:35:13: fov_y_deg of 180 degrees; mend: write an angle above 0 and under 170, from edge to edge`},
		{"spacing", "equal-tangent", "equal", `p.toml:36:11: spacing cannot be "equal"; mend: write one of: equal-tangent, equal-angle`},
		{"too few directions", "fov_x_deg = 60\nfov_y_deg = 40\nspacing = \"equal-tangent\"", "ux = [0, 0, 0]\nuy = [0, 0, 0, 0]", `p.toml:34:1: ux has 3 numbers for 4 zones; mend: write one tangent a zone, row by row`},
		{"degrees for tangents", "fov_x_deg = 60\nfov_y_deg = 40\nspacing = \"equal-tangent\"", "ux = [0, 0, 0, 60]\nuy = [0, 0, 0, 0]", `p.toml:34:16: ux of zone 3 is 60; mend: write the tangent of the direction, not degrees`},
		{"bins", "count = 64", "count = 3", `p.toml:39:9: 3 bins; mend: write 4 to 16384`},
		{"bin width", "width_ps = 250", "width_ps = 0.0", `p.toml:40:12: width_ps is not above 0; mend: write a number above 0`},
		{"pile-up", "first-photon", "second-photon", `p.toml:42:11: pile_up cannot be "second-photon"; mend: write one of: none, first-photon`},
		{"window of one number", "[-1500, 2500]", "[2500]", `p.toml:43:1: leakage_window_ps has 1 numbers; mend: write leakage_window_ps = [from, to]`},
		{"window without a bin", "[-1500, 2500]", "[-9000, -1400]", `p.toml:43:1: no bin lies in the leakage window of -9000 to -1400 ps; mend: the bins reach from -1500 to 14500 ps`},
		{"highest count", "65535", "0", `p.toml:44:13: count_max is 1 to 4294967295; mend: write the highest count a bin can hold, or leave it out`},
		{"corrects", `corrects = "unit"`, `corrects = "us"`, `p.toml:48:12: corrects cannot be "us"; mend: write one of: station, unit`},
		{"no working distance", "[500, 1000]", "[]", `p.toml:52:1: 0 working distances; mend: write one to a hundred, in mm`},
		{"working distance", "[500, 1000]", "[500, -1]", `p.toml:52:20: working distance of -1 mm; mend: write a distance above 0`},
		{"leakage change", "leakage_change = 0.5", "leakage_change = -1.5", `p.toml:53:18: leakage cannot fall by more than all of it; mend: write leakage_change = 0.5 for half as much again`},
		{"summary ranges resolve nothing", "ranging = \"mean\"", "ranging = \"pulse\"", ""},
		{"kelvin", "reference_cel = 25", "reference_cel = 298", `p.toml:56:17: a reference temperature of 298 Cel; mend: write degrees Celsius, such as reference_cel = 25`},
		{"negative uncertainty", "leakage_change_u = 0.02", "leakage_change_u = -0.02", `p.toml:60:20: leakage_change_u is negative; mend: write a standard uncertainty, 0 or more`},
		{"negative spread", "bin_width = 0.01", "bin_width = -0.01", `p.toml:63:13: bin_width of -0.01; mend: write a number above 0, or leave it out for the default`},
		{"certain accusation", "family_wise = 0.002", "family_wise = 1", `p.toml:67:15: family_wise of 1; mend: write the chance that a clean capture is accused, such as 0.001`},
		{"dead zones", "max_dead_hot = 0", "max_dead_hot = -1", `p.toml:66:16: max_dead_hot is negative; mend: write how many zones may be dead or hot, 0 for none`},
		{"pulse of one point", "[0, 0.5, 1, 0.5, 0]", "[1]", `p.toml:73:1: a pulse of less than two points; mend: write its density at two points or more`},
		{"negative pulse", "[0, 0.5, 1, 0.5, 0]", "[0, -0.5, 1]", `p.toml:73:15: the density of point 1 is negative; mend: write 0 or more`},
		{"dark pulse", "[0, 0.5, 1, 0.5, 0]", "[0, 0]", `p.toml:73:1: the pulse is zero everywhere; mend: write its density`},
		{"approved by the author", "[line]", "[release]\nauthor = \"A\"\napprover = \"A\"\n[line]", `p.toml:8:12: author and approver are the same person`},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(good, c.old, c.new, 1)
			if text == good {
				t.Fatalf("%q is not in the file", c.old)
			}
			if c.name == "summary ranges resolve nothing" {
				text = strings.Replace(text, `"histograms"`, `"summary"`, 1)
				c.want = `p.toml:51:11: ranges without histograms are un-mixed as signal-weighted means; mend: write ranging = "mean"`
			}
			p, err := product.Read("p.toml", []byte(text))
			refused(t, p != nil, err, c.want)
		})
	}
}

// refused looks for the fault that begins with want.
func refused(t *testing.T, read bool, err error, want string) {
	t.Helper()
	var faults strict.Faults
	if read || !errors.As(err, &faults) {
		t.Fatalf("read %v, %v", read, err)
	}
	for _, f := range faults {
		if strings.HasPrefix(f.Error(), want) {
			return
		}
	}
	t.Errorf("got\n%v\nwant\n%s", err, want)
}

const goodSheet = `station = "cal-1"
[[nest]]
name = "A"
port = "/dev/serial/by-path/pci-1"
light_group = "bench"
fixture = "f1"
distance_mm = 300
distance_u_mm = 0.15
reflectance = 0.5
certificate = "c1"
due = 2036-01-31T00:00:00Z
end_stop = true
[[nest]]
name = "B"
port = "tcp:127.0.0.1:5401"
fixture = "f2"
distance_mm = 301.5
distance_u_mm = 0.2
reflectance = 0.1
certificate = "c2"
due = 2036-01-31T00:00:00Z
end_stop = false
`

func TestReadSheet(t *testing.T) {
	s, err := product.ReadSheet("s.toml", []byte(goodSheet))
	if err != nil {
		t.Fatal(err)
	}
	n := s.Nests[0]
	if s.Station != "cal-1" || len(s.Nests) != 2 || n.Name != "A" || n.Port != "/dev/serial/by-path/pci-1" || n.LightGroup != "bench" || n.Fixture != "f1" ||
		n.DistanceMM != 300 || n.DistanceUMM != 0.15 || n.Reflectance != 0.5 || n.Certificate != "c1" || n.Due.Year() != 2036 || !n.EndStop || s.Nests[1].EndStop {
		t.Errorf("read %+v", s.Nests)
	}
	p, err := product.Read("p.toml", []byte(good))
	if err != nil || p.Revision == s.Revision {
		t.Errorf("product and sheet: %v", err)
	}
}

func TestReadSheetFaults(t *testing.T) {
	for _, c := range []edit{
		{"no nest", goodSheet[strings.Index(goodSheet, "[[nest]]"):], "nest = []\n", `s.toml:2:1: 0 nests; mend: add 1 to 64 [[nest]]`},
		{"no station", `"cal-1"`, `""`, `s.toml:1:11: the station has no name; mend: write station = "cal-1"`},
		{"name twice", `name = "B"`, `name = "A"`, `s.toml:14:8: nest name "A" is empty or used twice; mend: give each nest a short name of its own`},
		{"port twice", "tcp:127.0.0.1:5401", "/dev/serial/by-path/pci-1", `s.toml:15:8: nests A and B have the same port; mend: give each nest its own port`},
		{"port by order", "/dev/serial/by-path/pci-1", "/dev/ttyUSB0", `s.toml:4:8: /dev/ttyUSB0 belongs to whichever adapter was found first; mend: write the name under /dev/serial/by-path or /dev/serial/by-id`},
		{"distance", "distance_mm = 300\n", "distance_mm = -300\n", `s.toml:7:15: a distance of -300 mm; mend: write the distance from the certificate`},
		{"no uncertainty", "distance_u_mm = 0.15", "distance_u_mm = 0", `s.toml:8:17: an uncertainty of 0 mm; mend: write the standard uncertainty from the certificate: above 0 and below the distance`},
		{"reflectance in per cent", "reflectance = 0.5", "reflectance = 50", `s.toml:9:15: a reflectance of 50; mend: write a share, such as 0.5 for 50 %`},
		{"no certificate", `"c1"`, `""`, `s.toml:10:15: the certificate has no number; mend: write it, or who measured the distance and when`},
		{"due is a date", "due = 2036-01-31T00:00:00Z", "due = 2036-01-31", `s.toml:11:7: "due" wants a time, found a date or time without an offset from UTC; mend: write due = 2026-01-31T06:00:00Z`},
		{"end stop not told", "end_stop = false\n", "", `s.toml:13:3: "end_stop" is missing; mend: add end_stop = true or false`},
		{"no port", `"tcp:127.0.0.1:5401"`, `""`, `s.toml:15:8: the nest has no port; mend: write a serial device or tcp:host:port`},
		{"no fixture", `"f2"`, `""`, `s.toml:16:11: the fixture has no name; mend: write what stands on it`},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(goodSheet, c.old, c.new, 1)
			if text == goodSheet {
				t.Fatalf("%q is not in the file", c.old)
			}
			s, err := product.ReadSheet("s.toml", []byte(text))
			refused(t, s != nil, err, c.want)
		})
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte(good))
	f.Add([]byte(strings.Replace(good, string(label.NoCheck), string(label.Mod37_36), 1)))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := product.Read("f", data)
		if err != nil {
			if p != nil {
				t.Error("a product beside an error")
			}
			return
		}
		again, err := product.Read("canonical", p.Canonical)
		if err != nil {
			t.Fatalf("the canonical form is not accepted: %v\n%s", err, p.Canonical)
		}
		if again.Revision != p.Revision {
			t.Errorf("another revision\n%s\n%s", p.Canonical, again.Canonical)
		}
	})
}

func FuzzReadSheet(f *testing.F) {
	f.Add([]byte(goodSheet))
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := product.ReadSheet("f", data)
		if err != nil {
			if s != nil {
				t.Error("a sheet beside an error")
			}
			return
		}
		again, err := product.ReadSheet("canonical", s.Canonical)
		if err != nil {
			t.Fatalf("the canonical form is not accepted: %v\n%s", err, s.Canonical)
		}
		if again.Revision != s.Revision {
			t.Errorf("another revision\n%s\n%s", s.Canonical, again.Canonical)
		}
	})
}
