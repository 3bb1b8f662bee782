package strict_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/strict"
)

type file struct {
	Name  string           `toml:"name" need:"add name = \"text\""`
	Shots int64            `toml:"shots"`
	Gain  *float64         `toml:"gain"`
	When  time.Time        `toml:"when"`
	On    bool             `toml:"on"`
	Pulse []float64        `toml:"pulse"`
	Limit map[string]limit `toml:"limit"`
	Nest  []nest           `toml:"nest"`
}

type limit struct {
	Unit string  `toml:"unit" need:"add unit = \"mm\""`
	High float64 `toml:"high"`
}

type nest struct {
	Port string `toml:"port" need:"add port = \"/dev/…\""`
}

func TestFaults(t *testing.T) {
	for _, c := range []struct{ name, file, want string }{
		{"unknown key, close", "name='a'\nshot = 5\n",
			`f.toml:2:1: unknown key "shot"; mend: did you mean shots?`},
		{"unknown key, far", "name='a'\n[limit.x]\nunit='mm'\n  colour = 5\n",
			`f.toml:4:3: unknown key "colour"; mend: take it out; known here: high unit`},
		{"other case is another key", "Name='a'\nname='a'\n",
			`f.toml:1:1: unknown key "Name"; mend: did you mean name?`},
		{"unknown table is reported once", "name='a'\n[other]\na=1\nb=2\n",
			`f.toml:2:2: unknown key "other"; mend: take it out; known here: gain limit name nest on pulse shots when`},
		{"inline table", "name='a'\nlimit={x={unit='mm', hihg=1}}\n",
			`f.toml:2:22: unknown key "hihg"; mend: did you mean high?`},
		{"columns count characters", "name='a'\nlimit={'µ'={unit=5}}\n",
			`f.toml:2:18: "unit" wants text, found a whole number; mend: write unit = "text"`},
		{"missing at the top", "shots = 5\n",
			`f.toml:1:1: "name" is missing; mend: add name = "text"`},
		{"missing in a table", "name='a'\n\n[limit.x]\nhigh=1\n",
			`f.toml:3:8: "unit" is missing; mend: add unit = "mm"`},
		{"missing in the second of an array", "name='a'\n[[nest]]\nport='p'\n[[nest]]\n",
			`f.toml:4:3: "port" is missing; mend: add port = "/dev/…"`},
		{"fraction for a whole number", "name='a'\nshots = 5.5\n",
			`f.toml:2:9: "shots" wants a whole number, found a number with a fraction; mend: write shots = 1`},
		{"text for a number", "name='a'\ngain = '5'\n",
			`f.toml:2:8: "gain" wants a number, found text; mend: write gain = 1.5`},
		{"number for true", "name='a'\non = 1\n",
			`f.toml:2:6: "on" wants true or false, found a whole number; mend: write on = true`},
		{"time without offset", "name='a'\nwhen = 2026-01-31\n",
			`f.toml:2:8: "when" wants a time, found a date or time without an offset from UTC; mend: write when = 2026-01-31T06:00:00Z`},
		{"text in an array of numbers", "name='a'\npulse = [1, 'x']\n",
			`f.toml:2:13: "pulse" wants a number, found text; mend: write pulse = 1.5`},
		{"table for a number", "name='a'\n[gain]\nx=1\n",
			`f.toml:2:2: "gain" is a table here and wants a number; mend: write it as gain = …`},
		{"value for a table", "name='a'\nlimit = 5\n",
			`f.toml:2:9: "limit" wants a table, found a whole number; mend: write [limit]`},
		{"one table for an array of them", "name='a'\n[nest]\nport='p'\n",
			`f.toml:2:2: "nest" is a table here and wants an array of tables; mend: write it as nest = …`},
		{"nan", "name='a'\ngain = nan\n",
			`f.toml:2:8: "gain" is not a finite number; mend: write a number, or leave the key out`},
		{"infinite in an array", "name='a'\npulse = [1, -inf]\n",
			`f.toml:2:13: "pulse" is not a finite number; mend: write a number, or leave the key out`},
		{"duplicate", "name='a'\nname='b'\n",
			`f.toml:2:1: key name is already defined; mend: keep one of the two`},
		{"duplicate table", "name='a'\n[limit.x]\nunit='mm'\n[limit.x]\n",
			`f.toml:4:2: table x already exists; mend: keep one of the two`},
		{"not TOML", "name=\n",
			`f.toml:1:6: unexpected character U+000A at start of value; mend: write one key = value a line, text in "quotes", tables as [name]`},
		{"byte order mark", "\xef\xbb\xbfname='a'\n",
			`f.toml:1:1: invalid character at start of key: U+00EF 'ï'; mend: save the file as UTF-8 without a byte order mark`},
		{"not UTF-8", "name='\xff'\n",
			`f.toml:1:7: invalid UTF-8 character in literal string; mend: save the file as UTF-8`},
		{"too many digits", "name='a'\ngain = 1e999\n",
			`f.toml:2:8: unable to parse float: strconv.ParseFloat: parsing "1e999": value out of range; mend: write a number that a 64-bit number can hold`},
		{"all at once, in order", "gain='x'\nfoo=1\nname='a'\n[limit.x]\n",
			"f.toml:1:6: \"gain\" wants a number, found text; mend: write gain = 1.5\n" +
				"f.toml:2:1: unknown key \"foo\"; mend: take it out; known here: gain limit name nest on pulse shots when\n" +
				"f.toml:4:8: \"unit\" is missing; mend: add unit = \"mm\""},
	} {
		t.Run(c.name, func(t *testing.T) {
			var f file
			_, err := strict.Decode("f.toml", []byte(c.file), &f)
			var fault *strict.Fault
			if !errors.As(err, &fault) {
				t.Fatalf("no fault: %v", err)
			}
			got := fault.Error()
			if strings.Contains(c.want, "\n") {
				got = err.Error()
			}
			if got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
}

func TestDecode(t *testing.T) {
	var f file
	d, err := strict.Decode("f.toml", []byte("name='a'\r\nshots=0x10\r\ngain=3\r\nwhen=2026-01-31T06:00:00+01:00\r\nlimit.a.unit='mm'\r\nlimit.a.high=2\r\npulse=[1, # one\r\n2]\r\n[[nest]]\r\nport='p'\r\n"), &f)
	if err != nil {
		t.Fatal(err)
	}
	if f.Name != "a" || f.Shots != 16 || *f.Gain != 3 || f.When.Hour() != 6 || f.Limit["a"].High != 2 || len(f.Pulse) != 2 || f.Nest[0].Port != "p" {
		t.Errorf("decoded %+v", f)
	}
	if !d.Has("limit", "a", "high") || d.Has("on") || !d.Has("nest", "0", "port") {
		t.Error("Has is wrong about the keys of the file")
	}
	d.Report("too high", "lower it", "limit", "a", "high")
	d.Report("bad port", "other port", "nest", "0", "port")
	d.Report("second", "lower it", "pulse", "1")
	d.Report("no such", "add it", "limit", "a", "low")
	want := "f.toml:5:7: no such; mend: add it\nf.toml:6:14: too high; mend: lower it\nf.toml:8:1: second; mend: lower it\nf.toml:10:6: bad port; mend: other port"
	if got := d.Err().Error(); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func TestTooLarge(t *testing.T) {
	var f file
	if _, err := strict.Decode("f.toml", make([]byte, strict.MaxBytes+1), &f); err == nil || !strings.Contains(err.Error(), "more than") {
		t.Errorf("got %v", err)
	}
}

func FuzzDecode(f *testing.F) {
	for _, s := range []string{"name='a'\n", "[limit.x]\nunit='mm'\n", "[[nest]]\nport='p'\n", "pulse=[[1]]", "nest=[{port='p'}]", "limit={x={}}", "a.b.c=1\n[a.b]\nd=2"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var v file
		_, err := strict.Decode("f", data, &v)
		if err == nil {
			return
		}
		var faults strict.Faults
		if !errors.As(err, &faults) || len(faults) == 0 {
			t.Fatalf("not faults: %v", err)
		}
		lines := strings.Count(string(data), "\n") + 1
		for _, f := range faults {
			if f.Line < 1 || f.Line > lines || f.Column < 1 || f.Problem == "" || f.Mend == "" {
				t.Errorf("bad fault %+v", f)
			}
		}
	})
}
