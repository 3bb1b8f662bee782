package desk_test

import (
	"encoding/json"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

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
	difference(t, dir)
	for _, args := range [][]string{{"offset"}, {"offset.mean", "--kind", "x"}, {"offset.mean", "--base", "2"}, {"offset.mean", "--against", "A"}} {
		if _, err := ask(t, dir, desk.NewCharts, args...); cli.ExitCode(err) != cli.ExitUsage {
			t.Errorf("%v: %v", args, err)
		}
	}
}

// difference charts two check units against each other, and holds that against
// what the exported table says.
func difference(t *testing.T, dir string) {
	table, err := ask(t, dir, desk.NewExport, "--format", "jsonl", "--out", "-", "--purpose", "check")
	if err != nil {
		t.Fatal(err)
	}
	type row struct {
		Serial, Nest string
		Time         time.Time
		Offset       *float64 `json:"offset.mean"`
	}
	rows := map[string][]row{} // by serial and nest
	var serials []string
	for _, line := range strings.Split(strings.TrimSpace(table), "\n") {
		var r row
		if err := json.Unmarshal([]byte(line), &r); err != nil {
			t.Fatal(err)
		}
		if r.Offset != nil {
			rows[r.Serial+" "+r.Nest] = append(rows[r.Serial+" "+r.Nest], r)
		}
		if !slices.Contains(serials, r.Serial) {
			serials = append(serials, r.Serial)
		}
	}
	if len(serials) < 2 {
		t.Fatalf("check units: %v", serials)
	}
	one, other := serials[0], serials[1]
	text, err := ask(t, dir, desk.NewCharts, "offset.mean", "--serial", one, "--against", other, "--base", "5", "--json")
	if err != nil {
		t.Fatal(err)
	}
	var a struct {
		Charts []struct {
			Serial, Against, Nest string
			Times                 []time.Time
			Chart                 struct {
				Center float64
				Points []struct{ Value float64 }
			}
		}
	}
	if err := json.Unmarshal([]byte(text), &a); err != nil {
		t.Fatal(err)
	}
	if len(a.Charts) == 0 {
		t.Fatal("no charts of a difference")
	}
	for _, c := range a.Charts {
		mine, others := rows[one+" "+c.Nest], rows[other+" "+c.Nest]
		if c.Serial != one || c.Against != other || len(c.Chart.Points) != len(mine) {
			t.Fatalf("%s less %s in %s: %d points of %d", c.Serial, c.Against, c.Nest, len(c.Chart.Points), len(mine))
		}
		base := 0.0
		for i, m := range mine {
			far, want := time.Duration(math.MaxInt64), 0.0
			for _, o := range others {
				if d := m.Time.Sub(o.Time).Abs(); d < far {
					far, want = d, *m.Offset-*o.Offset
				}
			}
			if i < 5 {
				base += want / 5
			}
			if got := c.Chart.Points[i].Value; math.Abs(got-want) > 1e-12 || !c.Times[i].Equal(m.Time) {
				t.Errorf("%s, point %d: %v, want %v", c.Nest, i, got, want)
			}
		}
		if math.Abs(c.Chart.Center-base) > 1e-9 {
			t.Errorf("%s: centre %v, want %v", c.Nest, c.Chart.Center, base)
		}
	}
	words, err := ask(t, dir, desk.NewCharts, "offset.mean", "--serial", one, "--against", other, "--base", "5")
	if err != nil || !strings.Contains(words, one+" less "+other) {
		t.Errorf("%s, %v", words, err)
	}
	// With a unit that is not there nothing can be charted, and that is said.
	if words, err := ask(t, dir, desk.NewCharts, "offset.mean", "--serial", one, "--against", "H54-1"); err != nil || !strings.Contains(words, "no check unit chosen") {
		t.Errorf("%s, %v", words, err)
	}
}
