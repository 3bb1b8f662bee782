package limits_test

import (
	"errors"
	"strings"
	"testing"

	"example.org/panecal/limits"
	"example.org/panecal/limits/strict"
)

const good = `product = "hopper-9"

[limit."leakage.max"]
unit = "{count}/{shot}"
high = 0.012
high_bin = "dirty"
k = 2

[limit."offset.mean"]
unit = "mm"
low = -10
high = 10
low_bin = "short"
high_bin = "long"
k = 1.5
instruction = "Check the seat, then put the unit in the hold box."

[bin.dirty]
number = 10
code = "W1"
hard = "rework"
disposition = "rework"
priority = 1
instruction = "Wipe the window, run again."

[bin.short]
number = 20
code = "O1"
hard = "hold"
disposition = "hold"
priority = 3
instruction = "Put the unit in the hold box."

[bin.long]
number = 21
code = "O2"
hard = "hold"
disposition = "hold"
priority = 2
instruction = "Put the unit in the hold box."
`

func read(t testing.TB, text string) *limits.File {
	t.Helper()
	f, err := limits.Read("f.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestRead(t *testing.T) {
	f := read(t, good)
	if f.Product != "hopper-9" || f.Signed || len(f.Revision) != 64 || len(f.Limits) != 2 {
		t.Errorf("read %+v", f)
	}
	if l := f.Limits[1]; l.Name != "offset.mean" || *l.Low != -10 || l.LowBin.Number != 20 || l.HighBin.Hard.Number != 3 {
		t.Errorf("second limit %+v", l)
	}
	for i, want := range []string{"passed", "dirty", "short", "long", "not_measured", "verify", "no_answer", "label", "capture", "aborted"} {
		if f.Bins[i].Name != want || f.Bins[i].Instruction.Plain == "" {
			t.Errorf("bin %d is %+v, want %s", i, f.Bins[i], want)
		}
	}
	for name, want := range map[string]string{limits.Passed: "passed", limits.NoAnswer: "failed", limits.Verify: "failed",
		limits.NotMeasured: "failed", limits.Label: "error", limits.Capture: "error", limits.Aborted: "aborted"} {
		if b, ok := f.Bin(name); !ok || b.Outcome != want {
			t.Errorf("bin %s: outcome %q, want %q", name, b.Outcome, want)
		}
	}
}

func TestReservedBins(t *testing.T) {
	f := read(t, good+"[bin.no_answer]\ninstruction = \"Try another cable.\"\n[bin.passed]\nhard = \"belt\"\n[hard_bin.belt]\nnumber = 1\ntext = \"the belt\"\n")
	b, _ := f.Bin(limits.NoAnswer)
	if b.Number != 92 || b.Instruction.Plain != "Try another cable." {
		t.Errorf("what the file leaves out has no default: %+v", b)
	}
	// Nothing goes to the default hard bin 1 any more, so its number is free.
	if b, _ := f.Bin(limits.Passed); b.Hard.Number != 1 || b.Hard.Text.Plain != "the belt" {
		t.Errorf("passed goes to %+v", b.Hard)
	}
}

func TestReadFaults(t *testing.T) {
	edit := func(old, new string) string {
		if !strings.Contains(good, old) {
			t.Fatalf("%q is not in the file", old)
		}
		return strings.Replace(good, old, new, 1)
	}
	extra := "[bin.extra]\nnumber=30\ncode=\"X1\"\nhard=\"scrap\"\ndisposition=\"scrap\"\npriority=9\ninstruction=\"Scrap it.\"\n"
	for _, c := range []struct{ name, file, want string }{
		{"unknown key", edit("high_bin = \"dirty\"", "high_bn = \"dirty\""),
			`f.toml:6:1: unknown key "high_bn"; mend: did you mean high_bin?`},
		{"unknown quantity", edit("leakage.max", "leakage.maximum"),
			`f.toml:3:8: "leakage.maximum" is no quantity; mend: known: leakage.max leakage.total`},
		{"quotes forgotten", edit(`"leakage.max"`, "leakage.max"),
			`f.toml:3:16: leakage.max is one name; mend: put it in quotes: [limit."leakage.max"]`},
		{"unit mismatch", edit(`"mm"`, `"m"`),
			`f.toml:10:8: offset.mean is measured in "mm", not "m"; mend: write unit = "mm" and the limits in it`},
		{"no unit", edit("unit = \"mm\"\n", ""),
			`f.toml:9:8: "unit" is missing; mend: add the unit, such as unit = "mm"`},
		{"no guard factor", edit("k = 2\n", ""),
			`f.toml:3:8: "k" is missing; mend: add the guard factor, such as k = 2; k = 0 is simple acceptance`},
		{"negative guard factor", edit("k = 2", "k = -1"),
			`f.toml:7:5: a negative guard factor would pass units that are probably bad; mend: write k = 0 for simple acceptance, k > 0 to guard`},
		{"empty interval", edit("high = 10", "high = -10"),
			`f.toml:12:8: nothing lies between low = -10 and high = -10; mend: write low below high`},
		{"empty once guarded", edit("k = 1.5", "k = 1.5\ntypical = 0\ntypical_u = 7"),
			`f.toml:15:5: guard bands of k·typical_u = 10.5 leave nothing between -10 and 10; mend: lower k, widen the limits, or measure longer`},
		{"not a number", edit("high = 0.012", "high = nan"),
			`f.toml:5:8: "high" is not a finite number; mend: write a number, or leave the key out`},
		{"neither side", edit("high = 0.012\nhigh_bin = \"dirty\"\n", ""),
			`f.toml:3:8: neither low nor high; mend: add low = … or high = …`},
		{"side without bin", edit("high_bin = \"dirty\"\n", ""),
			`f.toml:5:8: high without high_bin; mend: add high_bin = "…", the soft bin of a unit that fails here`},
		{"bin without side", edit("low = -10\n", ""),
			`f.toml:12:11: low_bin without low; mend: add low = …, or take low_bin out`},
		{"no such bin", edit(`"dirty"`, `"dusty"`),
			`f.toml:6:12: there is no soft bin "dusty"; mend: add [bin.dusty], or name one there is`},
		{"a failing unit into passed", edit(`"dirty"`, `"passed"`),
			`f.toml:6:12: a unit that fails a limit cannot go to bin passed; mend: name a bin of your own`},
		{"unreachable bin", good + extra,
			`f.toml:41:6: no unit can reach soft bin extra: no limit names it; mend: name it as low_bin or high_bin of a limit, or take it out`},
		{"unreachable hard bin", good + "[hard_bin.quarry]\nnumber = 8\n",
			`f.toml:41:11: no unit can reach hard bin quarry: no soft bin goes there; mend: name it as hard of a soft bin, or take it out`},
		{"no such hard bin", edit(`hard = "rework"`, `hard = "bench"`),
			`f.toml:21:8: soft bin dirty goes to hard bin "bench", which there is not; mend: add [hard_bin.bench] or name one of: hold release rework scrap`},
		{"bin without hard bin", edit("hard = \"rework\"\n", ""),
			`f.toml:18:6: soft bin dirty has no hard; mend: add hard = "…", the name of a hard bin`},
		{"duplicate limit", good + "[limit.\"offset.mean\"]\n",
			`f.toml:41:2: table offset.mean already exists; mend: keep one of the two`},
		{"duplicate number", edit("number = 21", "number = 20"),
			`f.toml:35:10: soft bins short and long have the same number 20; mend: give one of them another`},
		{"number of a reserved bin", edit("number = 21", "number = 92"),
			`f.toml:35:10: soft bins no_answer and long have the same number 92; mend: give one of them another`},
		{"duplicate code", edit(`"O2"`, `"O1"`),
			`f.toml:36:8: soft bins short and long have the same code "O1"; mend: give one of them another`},
		{"duplicate priority", edit("priority = 2", "priority = 3"),
			`f.toml:39:12: soft bins short and long have the same priority 3; mend: give one of them another: which decides when both are reached?`},
		{"duplicate hard bin", good + "[hard_bin.mine]\nnumber = 3\n[bin.short2]\n",
			`f.toml:42:10: hard bins hold and mine have the same number 3; mend: give one of them another`},
		{"number zero", edit("number = 21", "number = 0"),
			`f.toml:35:10: a bin's number is 1 to 32767; mend: write number = 10`},
		{"code with a space", edit(`"O2"`, `"O 2"`),
			`f.toml:36:8: "O 2" is no code; mend: write one short word without spaces`},
		{"no disposition of ours", edit(`disposition = "rework"`, `disposition = "retry"`),
			`f.toml:22:15: "retry" is no disposition; mend: write release, rework, hold or scrap`},
		{"a failing unit released", edit(`disposition = "rework"`, `disposition = "release"`),
			`f.toml:22:15: soft bin dirty cannot have disposition release; mend: units of bin passed are released, no others`},
		{"failing units in the good box", edit(`hard = "rework"`, `hard = "release"`),
			`f.toml:21:8: hard bin release takes units to be released and others; mend: send them to different hard bins`},
		{"no instruction", edit("instruction = \"Wipe the window, run again.\"", "instruction = ''"),
			`f.toml:24:15: the instruction is empty; mend: write one sentence that says what the hands do`},
		{"typical_u alone", edit("k = 1.5", "k = 1.5\ntypical_u = 1"),
			`f.toml:16:13: typical_u without typical; mend: add typical = …, or take it out`},
		{"negative typical_sd", edit("k = 1.5", "k = 1.5\ntypical = 0\ntypical_sd = -1"),
			`f.toml:17:14: typical_sd is negative; mend: write what it is, 0 or more`},
		{"no limit at all", "product = \"p\"\n",
			`f.toml:1:1: there is no limit; mend: add one, such as [limit."offset.mean"]: without one every unit would pass`},
		{"no product", edit("product = \"hopper-9\"\n", ""),
			`f.toml:1:1: "product" is missing; mend: add the name of the product`},
		{"a product without a name", edit("\"hopper-9\"", "\"\""),
			`f.toml:1:11: the product has no name; mend: write product = "hopper-54"`},
		{"no such hard bin, with one of the file's own", edit(`hard = "rework"`, `hard = "bench"`) + "[hard_bin.belt]\nnumber = 8\n",
			`f.toml:21:8: soft bin dirty goes to hard bin "bench", which there is not; mend: add [hard_bin.bench] or name one of: belt hold release rework scrap`},
		{"approved by the author", good + "[release]\nauthor=\"A\"\napprover=\"A\"\n",
			`f.toml:43:10: author and approver are the same person; mend: let another person approve it, or leave approver out until one has`},
	} {
		t.Run(c.name, func(t *testing.T) {
			f, err := limits.Read("f.toml", []byte(c.file))
			var faults strict.Faults
			if f != nil || !errors.As(err, &faults) {
				t.Fatalf("got %v, %v", f, err)
			}
			for _, fault := range faults {
				if strings.HasPrefix(fault.Error(), c.want) {
					return
				}
			}
			t.Errorf("got\n%v\nwant\n%s", err, c.want)
		})
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte(good))
	f.Add([]byte("product='p'\nlimit={temperature={unit='Cel',k=0,high=1,high_bin='verify'}}"))
	f.Add([]byte(strings.Replace(good, "number = 21", "number = 20", 1)))
	f.Fuzz(func(t *testing.T, data []byte) {
		file, err := limits.Read("f", data)
		if err != nil {
			if file != nil {
				t.Error("a file beside an error")
			}
			return
		}
		again, err := limits.Read("canonical", file.Canonical)
		if err != nil {
			t.Fatalf("the canonical form is not accepted: %v\n%s", err, file.Canonical)
		}
		if again.Revision != file.Revision {
			t.Errorf("another revision after reading the canonical form\n%s\n%s", file.Canonical, again.Canonical)
		}
		if j := file.Judge(nil); j.Passed && len(file.Limits) > 0 {
			for _, l := range file.Limits {
				if !l.Optional {
					t.Errorf("a unit without measurements passed %s", l.Name)
				}
			}
		}
	})
}
