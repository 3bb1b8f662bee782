package desk_test

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/limits/study"
	"example.org/panecal/store"
)

// index is the part of a capability that this test looks at.
type index struct {
	Products []struct {
		Product      string
		Lower, Upper *float64
		Groups       []struct {
			By, Name, Index string
			N               int
			Mean, SD, U     *float64
			Stable          *bool
			Measured, Units *struct {
				Cp, Cpl, Cpu, Cpk, Ppk struct{ Value, Lower, Upper *float64 }
			}
		}
	}
}

// The indices of the log are those of its values, all of them and nest by nest;
// one limit has one index; what the measurement adds is taken out.
func TestCapabilityOfTheLog(t *testing.T) {
	dir := invented(t)
	of := func(args ...string) (a index) {
		text, err := ask(t, dir, desk.NewCapability, append(args, "--json")...)
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal([]byte(text), &a); err != nil {
			t.Fatal(err)
		}
		return a
	}
	a := of("pulse.width")
	if len(a.Products) != 1 || a.Products[0].Product != "hopper-54" || *a.Products[0].Lower != 560 || *a.Products[0].Upper != 680 {
		t.Fatalf("%+v", a)
	}
	var values []float64
	f, err := store.Follow(dir, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := f.Attempts(store.Filter{Product: "hopper-54", Purpose: "production", First: true}, store.AllQuantities(), func(r *store.Row) error {
		if v, ok := r.Quantities.High("pulse.width", 0); ok {
			values = append(values, v)
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	want := study.Sequence(study.NewSample(values)).Capability(560, 680, 0.95)
	g := a.Products[0].Groups[0]
	if g.By != "all" || g.N != len(values) || math.Abs(*g.Measured.Cpk.Value-float64(want.Cpk.Value)) > 1e-12 || math.Abs(*g.Measured.Ppk.Lower-float64(want.Ppk.Lower)) > 1e-12 {
		t.Errorf("%+v, want %+v of %d", g, want.Cpk, len(values))
	}
	// u is 1.4 ps in the population, of a standard deviation of about 12.
	if math.Abs(*g.U-1.4) > 0.01 || !(*g.Units.Ppk.Value > *g.Measured.Ppk.Value) {
		t.Errorf("u %v, %+v", *g.U, g.Units)
	}
	n := 0
	for _, g := range a.Products[0].Groups {
		if g.By == "nest" {
			n += g.N
		}
	}
	if n != len(values) {
		t.Errorf("the nests have %d values, not %d", n, len(values))
	}
	one := of("leakage.total", "--product", "hopper-54").Products[0].Groups[0]
	if one.Measured.Cp.Value != nil || one.Measured.Cpl.Value != nil || one.Measured.Cpu.Value == nil || *one.Measured.Cpk.Value != *one.Measured.Cpu.Value {
		t.Errorf("one-sided: %+v", one.Measured)
	}
	if few := of("pulse.width", "--lot", "H54-L0001", "--nest", "A").Products[0].Groups[0]; few.Stable != nil || few.Index == "cpk" {
		t.Errorf("of %d values: %+v", few.N, few)
	}
	// The part common to a nest stays in: it is in no scatter of that nest.
	if g := of("offset.mean", "--product", "hopper-54").Products[0].Groups[0]; math.Abs(*g.U-0.38) > 0.01 {
		t.Errorf("u of offset.mean %v, want 0.38 of 0.45", *g.U)
	}
}

func TestCapabilityPictures(t *testing.T) {
	dir := invented(t)
	path := filepath.Join(t.TempDir(), "o.svg")
	text, err := ask(t, dir, desk.NewCapability, "offset.mean", "--svg", path)
	if err != nil || !strings.Contains(text, "< upper limit") || !strings.Contains(text, "nest A") {
		t.Errorf("%s, %v", text, err)
	}
	for _, line := range strings.Split(text, "\n") {
		if len(line) > 80 {
			t.Errorf("wide: %s", line)
		}
	}
	if svg, err := os.ReadFile(path); err != nil || !strings.HasPrefix(string(svg), "<?xml") || !strings.Contains(string(svg), "offset.mean of hopper-1") {
		t.Errorf("%.60s, %v", svg, err)
	}
	if _, err := ask(t, dir, desk.NewCapability, "offset.median"); cli.ExitCode(err) != cli.ExitUsage {
		t.Error(err)
	}
	if text, err := ask(t, dir, desk.NewCapability, "verify.error_far"); err != nil || !strings.Contains(text, "no attempt chosen") {
		t.Errorf("%s, %v", text, err)
	}
}
