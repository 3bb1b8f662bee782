package limits_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/panecal/limits"
)

var update = flag.Bool("update", false, "rewrite the golden files")

const checked = `product = "hopper-9"
[release]
author = "A"
reason = "why"
effective = 2026-01-31T07:00:00+01:00

[limit."leakage.max"]
unit = "{count}/{shot}"
high = 0.012
high_bin = "dirty"
k = 2
typical = 0.0105
typical_u = 0.0005
typical_sd = 0.001

[limit."offset.mean"]
unit = "mm"
low = -10
high = 10
low_bin = "far"
high_bin = "far"
k = 2
typical = 8
typical_u = 0.5

[limit."seat.tilt"]
unit = "deg"
high = 1
high_bin = "far"
k = 0
typical = 1.15
typical_u = 0.1

[limit."ambient.max"]
unit = "{count}/{shot}"
high = 1e-3
high_bin = "far"
k = 1.64
optional = true

[bin.dirty]
number = 10
code = "W1"
hard = "rework"
disposition = "rework"
priority = 1
instruction = "Wipe the window, run again."

[bin.far]
number = 20
code = "O1"
hard = "hold"
disposition = "hold"
priority = 2
instruction = "Put the unit in the hold box."
`

func TestCheckGolden(t *testing.T) {
	r := limits.Check(read(t, checked))
	var text bytes.Buffer
	if err := r.WriteText(&text); err != nil {
		t.Fatal(err)
	}
	golden(t, "check.txt", text.Bytes())
	// Last digits differ between processors that fuse multiply and add.
	for _, l := range r.Limits {
		for _, v := range []*float64{l.Conforming, l.Fail, l.FalseReject, l.FalseAccept} {
			if v != nil {
				*v = math.Round(*v*1e9) / 1e9
			}
		}
	}
	for _, v := range []*float64{&r.FalseReject, &r.UnitsFail.Value, &r.UnitsFail.Lower, &r.UnitsFail.Upper} {
		*v = math.Round(*v*1e9) / 1e9
	}
	data, err := json.MarshalIndent(r, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "check.json", append(data, '\n'))
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name+".golden")
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s differs; run with -update after checking that the change is meant\ngot:\n%s\nwant:\n%s", path, got, want)
	}
}

func TestCheck(t *testing.T) {
	r := limits.Check(read(t, checked))
	by := map[string]limits.LimitReport{}
	for _, l := range r.Limits {
		by[l.Quantity] = l
	}
	near := func(what string, got *float64, want, within float64) {
		t.Helper()
		if got == nil || !(math.Abs(*got-want) <= within) {
			t.Errorf("%s is %v, want %v", what, got, want)
		}
	}
	// One-sided: measured values of all units are normal about 0.0105 with
	// variance 0.001² + 0.0005²; 0.011 is the acceptance limit.
	leakage := by["leakage.max"]
	near("acceptance limit", leakage.AcceptHigh, 0.011, 1e-15)
	near("share of good units", leakage.Conforming, 0.9331927987, 1e-9) // Φ(1.5)
	accepted := 0.5 * math.Erfc(-(0.011-0.0105)/math.Hypot(0.001, 0.0005)/math.Sqrt2)
	near("good + bad units passed", ptr(*leakage.Conforming-*leakage.FalseReject+*leakage.FalseAccept), accepted, 1e-9)
	// Every unit at 8 mm, accepted up to 9 mm, u 0.5 mm: Φ(−2) fail high,
	// nothing low.
	offset := by["offset.mean"]
	near("lower acceptance limit", offset.AcceptLow, -9, 0)
	near("false rejects of a unit like all", offset.FalseReject, 0.0227501319, 1e-9)
	near("false accepts of it", offset.FalseAccept, 0, 0)
	// Every unit is bad, by 1.5 u: nothing is rejected falsely, Φ(−1.5) pass.
	tilt := by["seat.tilt"]
	near("false rejects of bad units", tilt.FalseReject, 0, 0)
	near("good units", tilt.Conforming, 0, 0)
	near("bad units that pass", tilt.FalseAccept, 0.0668072013, 1e-9)
	near("units that fail", tilt.Fail, 1-0.0668072013, 1e-9)
	if a := by["ambient.max"]; a.FalseReject != nil || a.AcceptHigh != nil {
		t.Errorf("without typical values nothing can be told, got %+v", a)
	}
	var problems []string
	for _, p := range r.Problems {
		problems = append(problems, p.Quantity+": "+p.Text)
	}
	for _, want := range []string{
		"seat.tilt: a typical unit fails",
		"offset.mean: 2.3 % of all units would be good and fail",
		"ambient.max: k = 1.64 cannot be tried on past units",
		"ambient.max: no typical and typical_u",
		"leakage.max: no zones and typical_zone_sd",
	} {
		if !strings.Contains(strings.Join(problems, "\n"), want) {
			t.Errorf("%q is not among the problems %q", want, problems)
		}
	}
	if r.Schema != "panecal.limits_check/1" || r.Signed || r.Effective.Hour() != 6 {
		t.Errorf("head of the report: %+v", r)
	}
}

// The tables for people: what a typical value is made of, and columns that stay
// in line whatever characters a code has.
func TestCheckText(t *testing.T) {
	text := func(file string) string {
		var b strings.Builder
		if err := limits.Check(read(t, file)).WriteText(&b); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	zoned := text(zoned("zones = 54", "k = 0\ntypical = 0.5\ntypical_u = 0.1\ntypical_sd = 0.2\ntypical_zone_sd = 0.3\n"))
	if strings.Contains(zoned, "second look") {
		t.Errorf("a second look at nothing:\n%s", zoned)
	}
	if want := " 0.5 u 0.1 sd 0.2 zone sd 0.3 (54)\n"; !strings.Contains(zoned, want) {
		t.Errorf("no %q in\n%s", want, zoned)
	}
	at := -1
	for _, line := range strings.Split(text(strings.Replace(good, `code = "W1"`, `code = "<&lt;W1"`, 1)), "\n") {
		for _, box := range []string{"2 rework", "3 hold", "hard bin"} {
			if i := strings.Index(line, box); i >= 0 {
				if at >= 0 && at != i {
					t.Errorf("column %d, %d above: %s", i, at, line)
				}
				at = i
			}
		}
	}
	if at < 0 {
		t.Error("no table of bins")
	}
}

func ptr(v float64) *float64 { return &v }
