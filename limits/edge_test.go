package limits_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
)

// A guarded value that lies exactly on a limit is accepted, the next number
// beyond it is not; on either side, for one value and over zones, by the
// measurement and by its row.
func TestExactlyOnTheLimit(t *testing.T) {
	for _, c := range []struct{ name, file string }{
		{"offset.mean", strings.Replace(good, "k = 1.5", "k = 1", 1)},
		{"verify.error", strings.NewReplacer("offset.mean", "verify.error", "k = 1.5", "k = 1").Replace(good)},
	} {
		f := read(t, c.file)
		for _, e := range []struct {
			v, u float64
			bin  string
		}{
			{10, 0, "passed"}, {9, 1, "passed"}, {math.Nextafter(10, 11), 0, "long"}, {math.Nextafter(9, 10), 1, "long"},
			{-10, 0, "passed"}, {-9, 1, "passed"}, {math.Nextafter(-10, -11), 0, "short"}, {math.Nextafter(-9, -10), 1, "short"},
		} {
			value := quantity.Value{V: e.v, U: e.u}
			m := quantity.Measured{Value: value}
			if c.name == "verify.error" {
				m = quantity.Worst([]quantity.Value{{V: 0, U: 0}, value, {V: 1, U: 0}})
			}
			s := quantity.Set{quantity.LeakageMax: quantity.Worst([]quantity.Value{{V: 0.001, U: 0}}), quantity.Name(c.name): m}
			j := f.Judge(s)
			if j.SoftName != e.bin {
				t.Errorf("%s of %v, u %v: %s, want %s", c.name, e.v, e.u, j.SoftName, e.bin)
			}
			r, err := s.Row()
			if err != nil {
				t.Fatal(err)
			}
			if b, known := f.JudgeRow(r); !known || b.Name != e.bin {
				t.Errorf("%s of %v, u %v by its row: %+v, want %s", c.name, e.v, e.u, b, e.bin)
			}
		}
	}
}

// Whichever limit comes first and whichever side it is, the smaller priority
// number holds.
func TestPriorityDecides(t *testing.T) {
	turned := strings.NewReplacer("priority = 1", "priority = 3", "priority = 3", "priority = 1").Replace(good)
	for _, c := range []struct {
		name, file string
		leakage    float64
		offset     quantity.Value
		want       string
	}{
		{"the first limit", good, 1, quantity.Value{V: 50, U: 0}, "dirty"},
		{"the second limit", turned, 1, quantity.Value{V: -50, U: 0}, "short"},
		{"the high side", good, 0, quantity.Value{V: 0, U: 50}, "long"},
		{"the low side", turned, 0, quantity.Value{V: 0, U: 50}, "short"},
	} {
		s := quantity.Set{quantity.LeakageMax: quantity.Worst([]quantity.Value{{V: c.leakage, U: 0}}), quantity.OffsetMean: {Value: c.offset}}
		f := read(t, c.file)
		if j := f.Judge(s); j.SoftName != c.want {
			t.Errorf("%s: %s, want %s", c.name, j.SoftName, c.want)
		}
		r, err := s.Row()
		if err != nil {
			t.Fatal(err)
		}
		if b, _ := f.JudgeRow(r); b.Name != c.want {
			t.Errorf("%s by its row: %s, want %s", c.name, b.Name, c.want)
		}
	}
}

// A line tells what was held against what, and the chance of the zone where it
// is smallest.
func TestLine(t *testing.T) {
	f := read(t, good)
	zones := []quantity.Value{{V: 0.005, U: 0.001}, {V: 0.0115, U: 0.0005}, {V: 0.006, U: 0.004}, {V: math.NaN(), U: math.NaN()}}
	line := f.Judge(quantity.Set{quantity.LeakageMax: quantity.Worst(zones)}).Lines[0]
	// Φ((0.012 − 0.006)/0.004) = Φ(1.5) and Φ((0.012 − 0.0115)/0.0005) = Φ(1).
	if math.Abs(line.PConforming-0.8413447460685429) > 1e-12 {
		t.Errorf("smallest chance to conform %v, want that of the second zone", line.PConforming)
	}
	if math.Abs(line.HeldHigh-0.014) > 1e-15 || math.Abs(line.HeldLow-(-0.002)) > 1e-15 {
		t.Errorf("held %v and %v, want 0.014 and -0.002", line.HeldLow, line.HeldHigh)
	}
	if line.V != 0.0115 || line.U != 0.0005 || !line.Measured || line.Passed || line.Bin != "dirty" || !math.IsNaN(line.Low) || line.High != 0.012 {
		t.Errorf("%+v", line)
	}
	// Turned round, the first zone is the one: order must not matter.
	zones[0], zones[1] = zones[1], zones[0]
	if again := f.Judge(quantity.Set{quantity.LeakageMax: quantity.Worst(zones)}).Lines[0]; again.PConforming != line.PConforming {
		t.Errorf("chance %v in another order of zones, %v before", again.PConforming, line.PConforming)
	}
	// Zones of a quantity that has none do not count.
	s := quantity.Set{quantity.OffsetMean: {Value: quantity.Value{V: 9, U: 1}, Zones: []quantity.Value{{V: 90, U: 0}}}}
	line = f.Judge(s).Lines[1]
	if line.HeldHigh != 10.5 || line.HeldLow != 7.5 || math.Abs(line.PConforming-0.8413447460685429) > 1e-12 {
		t.Errorf("%+v", line)
	}
	if line = f.Judge(nil).Lines[0]; line.Measured || line.Bin != limits.NotMeasured || !math.IsNaN(line.PConforming) || !math.IsNaN(line.V) {
		t.Errorf("not measured: %+v", line)
	}
}

// A row that ends before a quantity's last column does not hold it.
func TestShortRow(t *testing.T) {
	f := read(t, good)
	s := quantity.Set{quantity.LeakageMax: quantity.Worst([]quantity.Value{{V: 0.001, U: 0}})}
	s.Put(quantity.OffsetMean, 0, 0)
	r, err := s.Row()
	if err != nil {
		t.Fatal(err)
	}
	d, _ := quantity.Lookup(quantity.OffsetMean)
	end := d.Column + d.Width()
	if b, known := f.JudgeRow(r[:end]); !known || b.Name != limits.Passed {
		t.Errorf("a row that ends with the quantity: %+v, %v", b, known)
	}
	if b, known := f.JudgeRow(r[:end-1]); !known || b.Name != limits.NotMeasured {
		t.Errorf("a row that ends within it: %+v, %v", b, known)
	}
}

// Numbers at the edge of what is allowed.
func TestReadEdges(t *testing.T) {
	edit := func(old, new string) string { return strings.Replace(good, old, new, 1) }
	for _, c := range []struct {
		name, file, want string // want "" where the file is good
	}{
		{"largest number", edit("number = 21", "number = 32767"), ""},
		{"number too large", edit("number = 21", "number = 32768"), "1 to 32767"},
		{"smallest number", edit("number = 21", "number = 2"), ""},
		{"largest hard bin", good + "[hard_bin.hold]\nnumber = 32767\n", ""},
		{"hard bin too large", good + "[hard_bin.hold]\nnumber = 32768\n", "1 to 32767"},
		{"hard bin nought", good + "[hard_bin.hold]\nnumber = 0\n", "1 to 32767"},
		{"simple acceptance", edit("k = 2", "k = 0"), ""},
		{"limits that touch", edit("low = -10", "low = 10"), "nothing lies between"},
		{"limits just apart", edit("low = -10", "low = 9.999"), ""},
		{"guard bands that meet", edit("k = 1.5", "k = 2\ntypical = 0\ntypical_u = 5"), "leave nothing"},
		{"guard bands just apart", edit("k = 1.5", "k = 2\ntypical = 0\ntypical_u = 4.9\ntypical_sd = 1"), ""},
		{"typical_u of nought", edit("k = 1.5", "k = 1.5\ntypical = 0\ntypical_u = 0"), ""},
	} {
		_, err := limits.Read("f.toml", []byte(c.file))
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: %v; want %q", c.name, err, c.want)
		}
	}
}

// A report points out what is worth a second look, and nothing else.
func TestProblems(t *testing.T) {
	file := func(keys string) string {
		return fmt.Sprintf("product = \"p\"\n[limit.\"offset.mean\"]\nunit = \"mm\"\nlow = -10\nlow_bin = \"verify\"\nhigh = 10\nhigh_bin = \"verify\"\n%s\n", keys)
	}
	for _, c := range []struct{ keys, want string }{
		{"k = 0\ntypical = 0\ntypical_u = 1\ntypical_sd = 1", ""},
		{"k = 1\ntypical = 8.5\ntypical_u = 1\ntypical_sd = 0", "% of all units would be good and fail"},
		{"k = 1\ntypical = 9.5\ntypical_u = 1\ntypical_sd = 1", "a typical unit fails"},
		{"k = 1\ntypical = -9.5\ntypical_u = 1\ntypical_sd = 1", "a typical unit fails"},
		{"k = 1\ntypical = 9\ntypical_u = 1\ntypical_sd = 1", "of all units would be good and fail"}, // exactly on the acceptance limit
		{"k = 1\ntypical = -9\ntypical_u = 1\ntypical_sd = 1", "of all units would be good and fail"},
		{"k = 0\ntypical = 0\ntypical_sd = 1", "no typical and typical_u"},
		{"k = 0", "no typical and typical_u"},
		{"k = 0\ntypical = 7.6\ntypical_u = 1\ntypical_sd = 0", ""}, // 0.8 % fail
		{"k = 0\ntypical = 7.8\ntypical_u = 1\ntypical_sd = 0", "1.4 % of all units"},
	} {
		var got []string
		for _, p := range limits.Check(read(t, file(c.keys))).Problems {
			got = append(got, p.Text)
		}
		if all := strings.Join(got, "\n"); c.want == "" && all != "" || !strings.Contains(all, c.want) || len(got) > 1 {
			t.Errorf("%q: %q, want %q", c.keys, got, c.want)
		}
	}
}
