package capture_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/capture"
	"example.org/panecal/station/estimate"
)

// The sample unit: 2 x 2 zones of 40 bins, a normal pulse of 350 ps, leakage at
// 3 mm, a target at 500 mm seen 2 mm too far. Its counts are expectations
// rounded, so that nothing is drawn.
const (
	halfC   = 0.299792458 / 2 // mm/ps
	pulseSD = 350.0
	binPS   = 250.0
	firstPS = -1500.0
)

var directions = [][]float64{{-0.04, 0.04, -0.04, 0.04}, {-0.04, -0.04, 0.04, 0.04}}

func sec(z int) float64 {
	return math.Sqrt(1 + directions[0][z]*directions[0][z] + directions[1][z]*directions[1][z])
}

// pulse is what a return of delay tau puts into bin b.
func pulse(b int, tau float64) float64 {
	at := func(x float64) float64 { return math.Erf((x-tau)/pulseSD/math.Sqrt2) / 2 }
	x := firstPS + float64(b)*binPS
	return at(x+binPS) - at(x)
}

// captureFile is a small valid capture file of it.
func captureFile(t testing.TB) map[string]any {
	t.Helper()
	empty, target := make([][]uint32, 4), make([][]uint32, 4)
	for z := range 4 {
		for b := range 40 {
			rate := 1e-4 + 0.01*pulse(b, 20)
			empty[z] = append(empty[z], uint32(math.Round(400_000*rate)))
			rate += 0.02 * pulse(b, (500*sec(z)+2)/halfC)
			target[z] = append(target[z], uint32(math.Round(100_000*rate)))
		}
	}
	var density []float64
	for x := -4 * pulseSD; x <= 4*pulseSD; x += 25 {
		density = append(density, math.Exp(-x*x/2/pulseSD/pulseSD))
	}
	var frames [2][4]uint32
	for z, row := range target {
		for _, c := range row {
			frames[0][z] += c / 2
			frames[1][z] += c - c/2
		}
	}
	raw, err := json.Marshal(map[string]any{
		"schema": "panecal.capture/1", "remark": "unknown keys are ignored",
		"grid": map[string]any{"rows": 2, "cols": 2, "ux": directions[0], "uy": directions[1]},
		"bins": 40, "bin_ps": binPS, "first_bin_ps": firstPS, "pileup": "none", "leakage_window_ps": []float64{-1500, 2500},
		"pulse":  map[string]any{"start_ps": -4 * pulseSD, "step_ps": 25, "density": density},
		"empty":  map[string]any{"shots": 400000, "counts": empty},
		"target": map[string]any{"shots": 100000, "counts": target, "frame_totals": frames, "distance_mm": 500.0, "distance_u_mm": 0.15, "leakage_change_u": 0.02},
	})
	if err != nil {
		t.Fatal(err)
	}
	var m map[string]any
	if err := json.Unmarshal(raw, &m); err != nil {
		t.Fatal(err)
	}
	return m
}

func readMap(t testing.TB, m map[string]any) (capture.File, error) {
	t.Helper()
	raw, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return capture.Read(bytes.NewReader(raw))
}

// at walks to a place in decoded JSON.
func at(m any, path ...any) any {
	for _, p := range path {
		switch k := p.(type) {
		case string:
			m = m.(map[string]any)[k]
		case int:
			m = m.([]any)[k]
		}
	}
	return m
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if math.Abs(got-want) > tol {
		t.Errorf("%s is %g, want %g", what, got, want)
	}
}

func TestMalformedCaptureNamesThePlace(t *testing.T) {
	for _, c := range []struct {
		name string
		harm func(m map[string]any)
		path string
	}{
		{"count below zero", func(m map[string]any) { at(m, "empty", "counts", 3).([]any)[7] = -1 }, "$.empty.counts[3][7]"},
		{"count with a fraction", func(m map[string]any) { at(m, "target", "counts", 0).([]any)[0] = 1.5 }, "$.target.counts[0][0]"},
		{"count not a number", func(m map[string]any) { at(m, "empty", "counts", 1).([]any)[2] = "7" }, "$.empty.counts[1][2]"},
		{"count too large", func(m map[string]any) { at(m, "empty", "counts", 1).([]any)[2] = 5e9 }, "$.empty.counts[1][2]"},
		{"a bin missing", func(m map[string]any) { r := at(m, "empty", "counts").([]any); r[2] = r[2].([]any)[1:] }, "$.empty.counts[2]"},
		{"a zone missing", func(m map[string]any) {
			e := m["empty"].(map[string]any)
			e["counts"] = e["counts"].([]any)[1:]
		}, "$.empty.counts"},
		{"no empty capture", func(m map[string]any) { delete(m, "empty") }, "$.empty"},
		{"no shots", func(m map[string]any) { delete(m["empty"].(map[string]any), "shots") }, "$.empty.shots"},
		{"shots of zero", func(m map[string]any) { m["empty"].(map[string]any)["shots"] = 0 }, "$.empty.shots"},
		{"other schema", func(m map[string]any) { m["schema"] = "panecal.capture/2" }, "$.schema"},
		{"kind", func(m map[string]any) { m["kind"] = "photo" }, "$.kind"},
		{"pile-up", func(m map[string]any) { m["pileup"] = "some" }, "$.pileup"},
		{"directions", func(m map[string]any) { m["grid"].(map[string]any)["ux"] = []float64{1} }, "$.grid.ux"},
		{"rows", func(m map[string]any) { m["grid"].(map[string]any)["rows"] = 2.5 }, "$.grid.rows"},
		{"bin width", func(m map[string]any) { m["bin_ps"] = 0 }, "$.bin_ps"},
		{"window", func(m map[string]any) { m["leakage_window_ps"] = []float64{5, 5} }, "$.leakage_window_ps"},
		{"density", func(m map[string]any) { at(m, "pulse", "density").([]any)[4] = -0.1 }, "$.pulse.density[4]"},
		{"density of nothing", func(m map[string]any) { m["pulse"].(map[string]any)["density"] = []float64{0, 0} }, "$.pulse.density"},
		{"distance", func(m map[string]any) { m["target"].(map[string]any)["distance_mm"] = -1 }, "$.target.distance_mm"},
		{"u of the distance", func(m map[string]any) { m["target"].(map[string]any)["distance_u_mm"] = -1 }, "$.target.distance_u_mm"},
		{"frames do not sum", func(m map[string]any) { at(m, "target", "frame_totals", 0).([]any)[1] = 1 }, "$.target.frame_totals"},
		{"frame of few zones", func(m map[string]any) { at(m, "target", "frame_totals").([]any)[1] = []int{1} }, "$.target.frame_totals[1]"},
		{"unequal frames", func(m map[string]any) { m["target"].(map[string]any)["shots"] = 100001 }, "$.target.frame_totals"},
		{"more first photons than shots", func(m map[string]any) { m["pileup"] = "first-photon"; at(m, "empty", "counts", 2).([]any)[0] = 400001 }, "$.empty.counts[2]"},
		{"checks", func(m map[string]any) { m["checks"] = map[string]any{"family_wise": 2} }, "$.checks.family_wise"},
		{"target is a list", func(m map[string]any) { m["target"] = []int{1} }, "$.target"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := captureFile(t)
			c.harm(m)
			_, err := readMap(t, m)
			var f *capture.Error
			if !errors.As(err, &f) || f.Path != c.path {
				t.Fatalf("error %v, want one at %s", err, c.path)
			}
			if !strings.HasPrefix(err.Error(), c.path+": ") {
				t.Errorf("error %q does not begin with its place", err)
			}
		})
	}
	for text, path := range map[string]string{
		"": "$", `{"schema":"panecal.capture/1"`: "$", `[1,2`: "$", `{"a":[1,{"b":tru}]}`: "$.a[1].b", `{} x`: "$", `7`: "$", "null": "$",
		`{"schema":"panecal.capture/1","grid":{"rows":1,"cols":1,"ux":[1e999]}}`: "$.grid.uy",
		strings.Repeat("[", 1000): "$" + strings.Repeat("[0]", 17),
	} {
		_, err := capture.Read(strings.NewReader(text))
		var f *capture.Error
		if !errors.As(err, &f) || f.Path != path && !(text != "" && strings.HasPrefix(f.Path, "$.grid.u")) {
			t.Errorf("%.40q: error %v, want one at %s", text, err, path)
		}
	}
}

// What is no capture at all is refused soon, with its place and in words.
func TestHostileCaptures(t *testing.T) {
	utf16 := func(text string, bom ...byte) string {
		for i := range len(text) {
			bom = append(bom, text[i], 0)
		}
		return string(bom)
	}
	const good = `{"schema":"panecal.capture/1"}`
	for _, c := range []struct{ name, text, path, says string }{
		{"byte order mark", "\xef\xbb\xbf" + good, "$", "byte order mark"},
		{"UTF-16 with its mark", utf16(good, 0xff, 0xfe), "$", "UTF-16"},
		{"UTF-16, high byte first", "\xfe\xff\x00{\x00}", "$", "UTF-16"},
		{"UTF-16 without a mark", utf16(good), "$", "UTF-16"},
		{"UTF-32", "\xff\xfe\x00\x00{\x00\x00\x00", "$", "UTF-32"},
		{"a key twice", `{"schema":"panecal.capture/1","bins":40,"bins":41}`, "$.bins", "twice"},
		{"an unknown key twice", `{"remark":{"a":1,"b":{"c":0,"d":0,"c":0}}}`, "$.remark.b.c", "twice"},
		{"a key that is no word", `{"a b\n":1,"a b\n":2}`, `$["a b\n"]`, "twice"},
		{"a file of nothing", "", "$", "ends here"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := capture.Read(strings.NewReader(c.text))
			var f *capture.Error
			if !errors.As(err, &f) || f.Path != c.path || !strings.Contains(f.Err.Error(), c.says) {
				t.Errorf("error %v, want one at %s that says %q", err, c.path, c.says)
			}
		})
	}
}

// Every number of a capture is held against what a number can be, with its
// place; under an unknown key it does not matter.
func TestHugeNumbers(t *testing.T) {
	const huge = 1e308
	var places func(m any, path string, set func(any)) []string
	m := captureFile(t)
	m["datum_mm"], m["count_max"] = 0.0, 4e9
	m["checks"] = map[string]any{"family_wise": 0.001, "frame_excess": 0.01, "change_sigmas": 4.0, "max_dead_hot": 2.0, "ambient_max": 1.0, "pulse_width": 0.03, "bin_width": 0.02}
	tried := 0
	places = func(v any, path string, set func(any)) (out []string) {
		switch v := v.(type) {
		case float64:
			set(huge)
			_, err := readMap(t, m)
			set(v)
			var f *capture.Error
			if tried++; !errors.As(err, &f) || f.Path != path {
				out = append(out, fmt.Sprintf("%s: %v", path, err))
			}
		case []any:
			for i := 0; i < len(v); i += max(1, len(v)/3) {
				out = append(out, places(v[i], fmt.Sprintf("%s[%d]", path, i), func(x any) { v[i] = x })...)
			}
		case map[string]any:
			for k, e := range v {
				out = append(out, places(e, path+"."+k, func(x any) { v[k] = x })...)
			}
		}
		return out
	}
	if bad := places(m, "$", nil); len(bad) > 0 || tried < 50 {
		t.Errorf("%d numbers tried, accepted or told elsewhere: %v", tried, bad)
	}
	m["remark"] = huge
	if _, err := readMap(t, m); err != nil {
		t.Errorf("under an unknown key: %v", err)
	}
}

// endless repeats a piece of JSON and counts what was taken of it.
type endless struct {
	head, piece string
	taken       int
}

func (e *endless) Read(p []byte) (int, error) {
	n := 0
	for n < len(p) {
		if at := e.taken; at < len(e.head) {
			p[n] = e.head[at]
		} else {
			p[n] = e.piece[(at-len(e.head))%len(e.piece)]
		}
		n++
		e.taken++
	}
	return n, nil
}

// A file that never ends is refused after so much, whatever it repeats.
func TestEndlessCaptures(t *testing.T) {
	for _, c := range []struct {
		head, piece, path string
		most              int // bytes taken of it
	}{
		{`{"empty":{"counts":[[`, "0,", "$.empty.counts[0]", 1 << 19},
		{`{"remark":[`, `"x",`, "$.remark", 1 << 20},
		{`{"remark":[0,0,"x",`, `0,`, "$.remark", 1 << 20},
		{`[`, "[1,2,3],", "$", 4 << 20},
	} {
		in := &endless{head: c.head, piece: c.piece}
		_, err := capture.Read(in)
		var f *capture.Error
		if !errors.As(err, &f) || !strings.HasPrefix(f.Path, c.path) || in.taken > c.most {
			t.Errorf("%s%s…: error %v after %d bytes, want one at %s after at most %d", c.head, c.piece, err, in.taken, c.path, c.most)
		}
	}
}

// The result: every key there, null where not computed, the numbers as the
// estimator has them.
func TestResult(t *testing.T) {
	m := captureFile(t)
	for _, target := range []bool{true, false} {
		if !target {
			delete(m, "target")
		}
		f, err := readMap(t, m)
		if err != nil {
			t.Fatal(err)
		}
		a, err := capture.Estimate(f)
		if err != nil {
			t.Fatal(err)
		}
		var buf bytes.Buffer
		if err := a.Write(&buf); err != nil {
			t.Fatal(err)
		}
		var out map[string]any
		if err := json.Unmarshal(buf.Bytes(), &out); err != nil {
			t.Fatal(err)
		}
		if out["schema"] != "panecal.estimate/1" || bytes.Count(buf.Bytes(), []byte("\n")) != 1 {
			t.Errorf("result %.80s", buf.String())
		}
		z := at(out, "zones", 2).(map[string]any)
		for _, k := range []string{"leakage", "leakage_u", "leakage_distance_mm", "ambient", "ambient_target", "range_mm", "range_u_mm", "offset_mm", "offset_u_mm", "signal", "signal_u", "flags"} {
			v, ok := z[k]
			if !ok {
				t.Errorf("target %v: key %q is missing", target, k)
			}
			needs := strings.HasPrefix(k, "range") || strings.HasPrefix(k, "offset") || strings.HasPrefix(k, "signal") || k == "ambient_target"
			if (v == nil) != (needs && !target) {
				t.Errorf("target %v: %s is %v", target, k, v)
			}
		}
		for _, d := range quantity.All() {
			q, ok := at(out, "quantities").(map[string]any)[string(d.Name)].(map[string]any)
			if !ok || q["unit"] != d.Unit {
				t.Errorf("quantity %s: %v", d.Name, q)
			}
		}
		if target {
			if v := at(z, "offset_mm").(float64); math.Abs(v-2) > 0.2 {
				t.Errorf("offset %g mm, want about 2", v)
			}
			want := math.Hypot(z["range_u_mm"].(float64), 0.15*sec(2))
			near(t, "offset_u_mm", z["offset_u_mm"].(float64), want, 1e-9)
		}
		if fl := out["capture_faults"].([]any); len(fl) != 0 {
			t.Errorf("faults %v", fl)
		}
	}
}

func TestChecksOverride(t *testing.T) {
	m := captureFile(t)
	m["checks"] = map[string]any{"family_wise": 0.01, "frame_excess": 0, "change_sigmas": 3, "max_dead_hot": 0, "ambient_max": 1e-6, "pulse_width": 0, "bin_width": 0.05}
	f, err := readMap(t, m)
	if err != nil {
		t.Fatal(err)
	}
	a, err := capture.Estimate(f)
	if err != nil {
		t.Fatal(err)
	}
	var codes []string
	for _, c := range a.CaptureFaults {
		codes = append(codes, fmt.Sprintf("%s %s %v", c.Capture, c.Code, c.Zones))
	}
	if got := strings.Join(codes, "; "); !strings.Contains(got, "empty ambient [0 1 2 3]; target ambient [0 1 2 3]") {
		t.Errorf("faults %v", got)
	}
	e, err := estimate.New(f.Setup)
	if err != nil {
		t.Fatal(err)
	}
	c := e.Setup().Checks
	if c.FamilyWise != 0.01 || c.FrameExcess != 0 || c.ChangeSigmas != 3 || c.MaxDeadHot != 0 || c.PulseWidth != 0 || c.BinWidth != 0.05 {
		t.Errorf("checks %+v", c)
	}
	m["count_max"] = 10
	if f, err = readMap(t, m); err != nil || f.Setup.Checks.CountMax != 10 {
		t.Errorf("count_max %d, %v", f.Setup.Checks.CountMax, err)
	}
}

// A summary capture file, in both of its forms.
func TestSummaryFile(t *testing.T) {
	keyed := func(signal, rng float64, more string) string {
		return fmt.Sprintf(`{"shots":1000000,"signal":[%[1]g,%[1]g],"signal_u":[1e-5,1e-5],"ambient":[1e-4,1e-4],"ambient_u":[1e-6,1e-6],"range_mm":[%[2]g,%[2]g],"range_u_mm":[0.1,0.1]%[3]s}`, signal, rng, more)
	}
	listed := func(signal, rng float64, more string) string {
		z := fmt.Sprintf(`{"signal":%g,"signal_u":1e-5,"ambient":1e-4,"ambient_u":1e-6,"range_mm":%g,"range_mm_u":0.1}`, signal, rng)
		return fmt.Sprintf(`{"shots":1000000,"zones":[%s,%s]%s}`, z, z, more)
	}
	const signal, leak, d, dx = 0.05, 0.001, 303.0, 5.0
	mix := (signal*d + leak*dx) / (signal + leak)
	for name, form := range map[string]func(float64, float64, string) string{"keys": keyed, "zones": listed} {
		text := fmt.Sprintf(`{"schema":"panecal.capture/1","kind":"summary","grid":{"rows":1,"cols":2,"ux":[0,0],"uy":[0,0]},"empty":%s,"target":%s}`,
			form(leak, dx, ""), form(signal+leak, mix, `,"distance_mm":300,"distance_u_mm":0.1`))
		f, err := capture.Read(strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		a, err := capture.Estimate(f)
		if err != nil {
			t.Fatal(err)
		}
		near(t, name+" range", float64(a.Zones[1].Range), d, 1e-6)
		near(t, name+" offset", float64(a.Zones[1].Offset), 3, 1e-4)
		near(t, name+" leakage", float64(a.Zones[0].Leakage), leak, 1e-9)
		near(t, name+" signal", float64(a.Zones[0].Signal), signal, 1e-9)
		if len(a.CaptureFaults) > 0 || len(a.Zones[0].Flags) > 0 {
			t.Errorf("%s: faults %v flags %v", name, a.CaptureFaults, a.Zones[0].Flags)
		}
	}
	_, err := capture.Read(strings.NewReader(`{"schema":"panecal.capture/1","kind":"summary","grid":{"rows":1,"cols":1,"ux":[0],"uy":[0]},"empty":{"shots":5,"zones":[{"signal":1}]}}`))
	if err == nil || !strings.HasPrefix(err.Error(), "$.empty.zones[0].signal_u: ") {
		t.Errorf("error %v", err)
	}
}
