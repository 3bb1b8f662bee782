package limits_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"pgregory.net/rapid"
)

func TestJudge(t *testing.T) {
	f := read(t, good)
	set := func(leakage []quantity.Value, offset quantity.Value) quantity.Set {
		return quantity.Set{quantity.LeakageMax: quantity.Worst(leakage), quantity.OffsetMean: {Value: offset}}
	}
	clean := []quantity.Value{{V: 0.004, U: 0.0001}, {V: 0.005, U: 0.0001}}
	nan := math.NaN()
	for _, c := range []struct {
		name string
		set  quantity.Set
		bin  string
		by   quantity.Name
	}{
		{"healthy", set(clean, quantity.Value{V: 1, U: 0.1}), "passed", ""},
		{"guarded limit exactly reached is accepted", set(clean, quantity.Value{V: 8.5, U: 1}), "passed", ""},
		{"guarded limit passed by little", set(clean, quantity.Value{V: 8.5, U: 1.0001}), "long", quantity.OffsetMean},
		{"low side", set(clean, quantity.Value{V: -11, U: 0}), "short", quantity.OffsetMean},
		{"largest value + k·u is not in the zone of the largest value",
			set([]quantity.Value{{V: 0.0115, U: 0.0001}, {V: 0.0110, U: 0.0006}}, quantity.Value{V: 0, U: 0.1}), "dirty", quantity.LeakageMax},
		{"priority decides", set([]quantity.Value{{V: 0.02, U: 0}}, quantity.Value{V: 20, U: 0}), "dirty", quantity.LeakageMax},
		{"uncertainty wider than the interval: the smaller priority", set(clean, quantity.Value{V: 0, U: 50}), "long", quantity.OffsetMean},
		{"a quantity is absent", quantity.Set{quantity.LeakageMax: quantity.Worst(clean)}, "not_measured", quantity.OffsetMean},
		{"a known failure comes before an absent quantity", quantity.Set{quantity.LeakageMax: quantity.Worst([]quantity.Value{{V: 1, U: 0}})}, "dirty", quantity.LeakageMax},
		{"a value that is not a number is not measured", set(clean, quantity.Value{V: nan, U: nan}), "not_measured", quantity.OffsetMean},
		{"no zone has a number", set([]quantity.Value{{V: nan, U: nan}}, quantity.Value{}), "not_measured", quantity.LeakageMax},
		{"a flagged zone is left out", set([]quantity.Value{{V: nan, U: nan}, {V: 0.005, U: 0}}, quantity.Value{}), "passed", ""},
		{"no uncertainty stated", set(clean, quantity.Value{V: 9.9, U: nan}), "passed", ""},
		{"infinite", set(clean, quantity.Value{V: math.Inf(1), U: 0}), "long", quantity.OffsetMean},
		{"nothing measured", nil, "not_measured", quantity.LeakageMax},
	} {
		t.Run(c.name, func(t *testing.T) {
			j := f.Judge(c.set)
			if j.SoftName != c.bin || j.Decided != c.by || j.Passed != (c.bin == "passed") || len(j.Lines) != 2 {
				t.Errorf("got bin %s by %q, passed %v, %d lines; want %s by %q", j.SoftName, j.Decided, j.Passed, len(j.Lines), c.bin, c.by)
			}
			b, _ := f.Bin(c.bin)
			if j.SoftBin != b.Number || j.HardBin != b.Hard.Number || j.Disposition != b.Disposition || j.Code != b.Code || j.Outcome != b.Outcome {
				t.Errorf("judgement %+v does not carry its bin %+v", j, b)
			}
			for _, l := range j.Lines {
				if l.Passed != (l.Bin == "") {
					t.Errorf("line %+v", l)
				}
			}
		})
	}
}

func TestInstruction(t *testing.T) {
	f := read(t, good)
	s := quantity.Set{}
	if j := f.Judge(s); j.Instruction.Plain != "Put the unit in the hold box." {
		t.Errorf("not measured: %q", j.Instruction.Plain)
	}
	s.Put(quantity.OffsetMean, 50, 0)
	if j := f.Judge(s); j.Instruction.Plain != "Check the seat, then put the unit in the hold box." {
		t.Errorf("the limit's own instruction: %q", j.Instruction.Plain)
	}
	s[quantity.LeakageMax] = quantity.Worst([]quantity.Value{{V: 1, U: 0}})
	if j := f.Judge(s); j.Instruction.Plain != "Wipe the window, run again." {
		t.Errorf("the bin's instruction: %q", j.Instruction.Plain)
	}
	j, ok := f.JudgeAs(limits.Capture, s)
	if !ok || j.SoftBin != 94 || j.Outcome != limits.OutcomeError || j.Passed || len(j.Lines) != 2 || !j.Lines[0].Measured || j.Decided != "" {
		t.Errorf("judged as a bad capture: %+v", j)
	}
	for _, name := range []string{"no such bin", limits.Passed} {
		if _, ok := f.JudgeAs(name, s); ok {
			t.Errorf("judged as %q without a limit", name)
		}
	}
}

func TestOptional(t *testing.T) {
	f := read(t, strings.Replace(good, "k = 1.5", "k = 1.5\noptional = true", 1))
	s := quantity.Set{quantity.LeakageMax: quantity.Worst([]quantity.Value{{V: 0.001, U: 0}})}
	if j := f.Judge(s); !j.Passed || j.Lines[1].Measured || !j.Lines[1].Passed {
		t.Errorf("an optional quantity is absent: %+v", j)
	}
	r, err := s.Row()
	if err != nil {
		t.Fatal(err)
	}
	if b, known := f.JudgeRow(r); !known || b.Name != limits.Passed {
		t.Errorf("an optional quantity is absent from the row: %+v, %v", b, known)
	}
	s.Put(quantity.OffsetMean, 50, 0)
	if j := f.Judge(s); j.SoftName != "long" {
		t.Errorf("an optional quantity that is there must be judged: %+v", j)
	}
}

// What an occasion excuses may be missing, and only that; what was measured
// all the same is judged. The file itself stays as it was.
func TestExcusing(t *testing.T) {
	f := read(t, good)
	excused := f.Excusing(quantity.OffsetMean)
	s := quantity.Set{quantity.LeakageMax: quantity.Worst([]quantity.Value{{V: 0.001, U: 0}})}
	if j := excused.Judge(s); !j.Passed || j.Lines[1].Measured {
		t.Errorf("excused and missing: %+v", j)
	}
	if j := f.Judge(s); j.SoftName != limits.NotMeasured {
		t.Errorf("the file itself excuses it now: %+v", j)
	}
	s.Put(quantity.OffsetMean, 50, 0)
	if j := excused.Judge(s); j.SoftName != "long" {
		t.Errorf("excused and measured: %+v", j)
	}
	if j := excused.Judge(quantity.Set{quantity.OffsetMean: s[quantity.OffsetMean]}); j.SoftName != "long" || j.Lines[0].Passed {
		t.Errorf("another is missing: %+v", j)
	}
}

// everything gives a file with a limit on every quantity at one k.
func everything(k float64, optional bool) string {
	var b strings.Builder
	b.WriteString("product = \"p\"\n")
	for i, d := range quantity.All() {
		fmt.Fprintf(&b, "[limit.%q]\nunit = %q\nlow = -1\nhigh = 1\nk = %v\nlow_bin = \"l%d\"\nhigh_bin = \"h%d\"\noptional = %v\n", d.Name, d.Unit, k, i, i, optional && i%2 == 0)
		for j, side := range []string{"l", "h"} {
			n := 100 + 2*i + j
			fmt.Fprintf(&b, "[bin.%s%d]\nnumber = %d\ncode = \"C%d\"\nhard = \"scrap\"\ndisposition = \"scrap\"\npriority = %d\ninstruction = \"x\"\n", side, i, n, n, (n*37)%1009)
		}
	}
	return b.String()
}

// Judge and JudgeRow are two ways to one verdict.
func TestRowAgrees(t *testing.T) {
	var files []*limits.File
	for _, k := range []float64{0, 1, 2, 3} {
		files = append(files, read(t, everything(k, false)), read(t, everything(k, true)))
	}
	special := []float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, 1, -1}
	value := rapid.Custom(func(t *rapid.T) quantity.Value {
		if rapid.IntRange(0, 19).Draw(t, "special") == 0 {
			return quantity.Value{V: rapid.SampledFrom(special).Draw(t, "v"), U: math.Abs(rapid.SampledFrom(special).Draw(t, "u"))}
		}
		return quantity.Value{V: rapid.Float64Range(-1.2, 1.2).Draw(t, "v"), U: rapid.Float64Range(0, 0.2).Draw(t, "u")}
	})
	passed, failed := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.SampledFrom(files).Draw(t, "file")
		tame := rapid.Bool().Draw(t, "tame")
		s := quantity.Set{}
		for _, d := range quantity.All() {
			switch {
			case tame:
				s.Put(d.Name, 0.1, 0.1)
			case rapid.IntRange(0, 30).Draw(t, "absent") == 0:
			case d.Zoned:
				s[d.Name] = quantity.Worst(rapid.SliceOfN(value, 1, 4).Draw(t, "zones"))
			default:
				s[d.Name] = quantity.Measured{Value: value.Draw(t, "value")}
			}
		}
		r, err := s.Row()
		if err != nil {
			t.Fatal(err)
		}
		j := f.Judge(s)
		bin, known := f.JudgeRow(r)
		if !known || bin.Name != j.SoftName {
			t.Fatalf("judge says %s, the row %v (known %v)", j.SoftName, bin, known)
		}
		if j.Passed {
			passed++
		} else {
			failed++
		}
	})
	if passed == 0 || failed == 0 {
		t.Errorf("%d passed, %d failed: the trial shows nothing", passed, failed)
	}
}

func TestRowUnknown(t *testing.T) {
	s := quantity.Set{quantity.LeakageMax: quantity.Worst([]quantity.Value{{V: 0.001, U: 0}})}
	s.Put(quantity.OffsetMean, 0, 0)
	r, err := s.Row()
	if err != nil {
		t.Fatal(err)
	}
	if b, known := read(t, good).JudgeRow(r); !known || b.Name != limits.Passed {
		t.Errorf("k = 1.5 on a quantity without zones: %v, %v", b, known)
	}
	if b, known := read(t, strings.Replace(good, "k = 2", "k = 1.5", 1)).JudgeRow(r); known {
		t.Errorf("k = 1.5 over zones cannot be told from a row, got %v", b)
	}
	if b, known := read(t, strings.Replace(good, "k = 2", "k = 4", 1)).JudgeRow(r); known {
		t.Errorf("k = 4 over zones cannot be told from a row, got %v", b)
	}
	if b, known := read(t, good).JudgeRow(quantity.Row{}); !known || b.Name != limits.NotMeasured {
		t.Errorf("a row too short: %v, %v", b, known)
	}
}

func BenchmarkJudgeRow24Limits(b *testing.B) {
	f := read(b, everything(2, false))
	s := quantity.Set{}
	for _, d := range quantity.All() {
		s.Put(d.Name, 0.1, 0.1)
	}
	r, err := s.Row()
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		f.JudgeRow(r)
	}
}
