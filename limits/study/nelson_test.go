package study

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"slices"
	"strconv"
	"testing"
)

// Each test is completed by the point it should be, and by none before it.
func TestNelson(t *testing.T) {
	for _, c := range []struct {
		name string
		z    []float64
		want []int // of the last point
	}{
		{"beyond 3", []float64{0.1, 3.01}, []int{1}},
		{"on 3", []float64{0.1, 3}, nil},
		{"below -3", []float64{0.1, -3.01}, []int{1}},
		{"nine on one side", []float64{.5, .1, .6, .1, .5, .1, .6, .1, .5}, []int{2}},
		{"eight on one side", []float64{.1, .6, .1, .5, .1, .6, .1, .5}, nil},
		{"eight and one on the centre", []float64{0, .1, .6, .1, .5, .1, .6, .1, .5}, nil},
		{"nine below", []float64{-.5, -.1, -.6, -.1, -.5, -.1, -.6, -.1, -.5}, []int{2}},
		{"six rising", []float64{-.5, -.3, -.1, .1, .3, .5}, []int{3}},
		{"five rising", []float64{-.3, -.1, .1, .3, .5}, nil},
		{"six falling", []float64{.5, .3, .1, -.1, -.3, -.5}, []int{3}},
		{"six rising with two alike", []float64{-.5, -.3, -.1, -.1, .3, .5}, nil},
		{"two of three beyond 2", []float64{2.1, 0, 2.1}, []int{5}},
		{"two in a row beyond 2", []float64{2.1, 2.1}, []int{5}},
		{"two of four beyond 2", []float64{2.1, 0, 0, 2.1}, nil},
		{"two beyond 2 on either side", []float64{2.1, -2.1}, nil},
		{"two on 2", []float64{2, 2}, nil},
		{"four of five beyond 1", []float64{1.1, 1.1, 0, 1.1, 1.1}, []int{6}},
		{"three of five beyond 1", []float64{1.1, 0, 0, 1.1, 1.1}, nil},
		{"four of five, one on the other side", []float64{-1.1, 1.1, 0, 1.1, 1.1}, nil},
		{"fifteen within 1", []float64{.9, .5, -.9, -.5, .9, .5, -.9, -.5, .9, .5, -.9, -.5, .9, .5, -.9}, []int{7}},
		{"fourteen within 1 and one on it", []float64{1, .5, -.9, -.5, .9, .5, -.9, -.5, .9, .5, -.9, -.5, .9, .5, -.9}, nil},
		{"eight beyond 1", []float64{1.1, 1.1, -1.1, -1.1, 1.1, 1.1, -1.1, -1.1}, []int{8}},
		{"seven beyond 1 and one on it", []float64{1, 1.1, -1.1, -1.1, 1.1, 1.1, -1.1, -1.1}, nil},
		{"undefined", []float64{math.NaN(), math.NaN(), math.NaN()}, nil},
	} {
		found := nelson(c.z)
		if got := found[len(found)-1]; !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
	var alternating []float64
	for i := range 14 {
		alternating = append(alternating, []float64{-1.05, 1.05}[i%2])
	}
	found := nelson(alternating)
	if !slices.Contains(found[13], 4) || slices.Contains(found[12], 4) {
		t.Errorf("fourteen alternating: %v", found)
	}
}

// TestRunLengths simulates independent normal points until a false alarm.
// Published mean run lengths: Champ and Woodall 1987, of Western Electric's
// rules one to three, which are the tests 1, 5 and 6 here. The tolerance is
// four standard errors, since run lengths are nearly geometric.
func TestRunLengths(t *testing.T) {
	raw, err := os.ReadFile("../../testdata/stats/champ-woodall-1987-given.json")
	if err != nil {
		t.Fatal(err)
	}
	var c struct{ Published map[string]string }
	if err := json.Unmarshal(raw, &c); err != nil {
		t.Fatal(err)
	}
	const seed, runs = 11, 2000
	t.Logf("seed %d, %d runs a rule", seed, runs)
	r := rand.New(rand.NewPCG(seed, 0))
	for key, rules := range map[string]func(z []float64) bool{
		"ARL0_rules_1":   func(z []float64) bool { return beyond(z, 1, 1, 3) },
		"ARL0_rules_1_2": func(z []float64) bool { return beyond(z, 1, 1, 3) || beyond(z, 2, 3, 2) },
		"ARL0_rules_1_4": func(z []float64) bool { return beyond(z, 1, 1, 3) || beyond(z, 8, 8, 0) },
		"ARL0_rules_1_2_3_4": func(z []float64) bool {
			return beyond(z, 1, 1, 3) || beyond(z, 2, 3, 2) || beyond(z, 4, 5, 1) || beyond(z, 8, 8, 0)
		},
	} {
		want, err := strconv.ParseFloat(c.Published[key], 64)
		if err != nil {
			t.Fatal(err)
		}
		points := 0
		for range runs {
			var z []float64
			for z = append(z, r.NormFloat64()); !rules(z); z = append(z, r.NormFloat64()) {
				if len(z) == 64 {
					z = slices.Delete(z, 0, 48) // no rule looks further back
					points += 48
				}
			}
			points += len(z)
		}
		if got := float64(points) / runs; math.Abs(got-want) > 4*want/math.Sqrt(runs) {
			t.Errorf("%s: mean run length %.5g, published %v", key, got, want)
		}
	}
}

// c4 and d2 as printed with four decimals: ISO 7870-2, ASTM E2587.
func TestConstants(t *testing.T) {
	raw, err := os.ReadFile("../../testdata/stats/shewhart-constants-a.json")
	if err != nil {
		t.Fatal(err)
	}
	var c struct{ Published map[string]string }
	if err := json.Unmarshal(raw, &c); err != nil {
		t.Fatal(err)
	}
	for n := 2; n <= 12; n++ {
		printed := c.Published["c4_n"+strconv.Itoa(n)]
		if want, err := strconv.ParseFloat(printed, 64); err != nil || math.Abs(c4(n)-want) > 0.5e-4 {
			t.Errorf("n %d: c4 %.6g, table %q", n, c4(n), printed)
		}
	}
	if want, err := strconv.ParseFloat(c.Published["d2_n2"], 64); err != nil || math.Abs(d2-want) > 0.5e-3 {
		t.Errorf("d2 %v, table %v", d2, want)
	}
	// Both forms agree where they meet.
	exact := func(n int) float64 {
		a, _ := math.Lgamma(float64(n) / 2)
		b, _ := math.Lgamma(float64(n-1) / 2)
		return math.Exp(a-b) * math.Sqrt(2/float64(n-1))
	}
	for _, n := range []int{250, 299, 300, 301, 1000} {
		if got := c4(n); math.Abs(got/exact(n)-1) > 1e-11 { // what Lgamma leaves of digits
			t.Errorf("n %d: %.15g, want %.15g", n, got, exact(n))
		}
	}
	if !math.IsNaN(c4(1)) {
		t.Error("one value has no c4")
	}
}

func TestGroups(t *testing.T) {
	names, of := groups([]string{"b", "a", "b", "c"})
	if !reflect.DeepEqual(names, []string{"b", "a", "c"}) || !reflect.DeepEqual(of, []int{0, 1, 0, 2}) {
		t.Errorf("%v %v", names, of)
	}
}
