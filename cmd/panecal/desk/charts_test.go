package desk_test

import (
	"encoding/json"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/limits/study"
)

// Limits of a chart are those of its base period, as package study makes them.
func TestCharts(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	write(t, dir, 160, 12)
	for _, kind := range []string{"individuals", "ewma", "cusum"} {
		text, err := ask(t, dir, desk.NewCharts, "offset.mean", "--kind", kind, "--base", "6", "--json")
		if err != nil {
			t.Fatal(err)
		}
		var a struct {
			Charts []struct {
				Serial, Nest string
				Base         int
				Times        []string
				Chart        struct {
					Center, SD, Lower, Upper float64
					Points                   []struct{ Value float64 }
				}
			}
		}
		if err := json.Unmarshal([]byte(text), &a); err != nil {
			t.Fatal(err)
		}
		if len(a.Charts) == 0 {
			t.Fatalf("%s: no charts", kind)
		}
		for _, c := range a.Charts {
			var first []float64
			for _, p := range c.Chart.Points[:c.Base] {
				first = append(first, p.Value)
			}
			want := study.Sequence(study.NewSample(first))
			if len(c.Times) != len(c.Chart.Points) || math.Abs(c.Chart.Center-want.Mean) > 1e-9 || math.Abs(c.Chart.SD-want.Within) > 1e-9 || !strings.HasPrefix(c.Serial, "H") {
				t.Errorf("%s %s %s: %+v, want %+v", kind, c.Serial, c.Nest, c.Chart.Center, want)
			}
		}
		text, err = ask(t, dir, desk.NewCharts, "offset.mean", "--kind", kind, "--base", "6")
		if err != nil || !strings.Contains(text, "values") {
			t.Errorf("%s, %v", text, err)
		}
		for _, line := range strings.Split(text, "\n") {
			if len([]rune(line)) > 92 {
				t.Errorf("wide: %s", line)
			}
		}
	}
	for _, args := range [][]string{{"offset"}, {"offset.mean", "--kind", "x"}, {"offset.mean", "--base", "2"}, {"offset.mean", "--against", "A"}} {
		if _, err := ask(t, dir, desk.NewCharts, args...); cli.ExitCode(err) != cli.ExitUsage {
			t.Errorf("%v: %v", args, err)
		}
	}
}
