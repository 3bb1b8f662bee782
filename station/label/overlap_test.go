package label_test

import (
	"testing"

	"example.org/panecal/station/label"
)

func TestOverlap(t *testing.T) {
	for _, c := range []struct{ a, b, serial string }{
		{"H54-[0-9]{5}-[0-9A-Z]", "H1-[0-9]{5}-[0-9A-Z]", ""},
		{"H54-[0-9]{5}", "H54-[0-9]{5}", "H54-00000"},
		{"H[0-9]+-X", "H54-[A-Z]", "H54-X"},
		{"(A|B)C*", "BC{3}", "BCCC"},
		{"A+", "B+", ""},
		{"A{2}", "A{3}", ""},
		{"", "Q[7-9]", "Q7"},
		{"", "", "0"},
		{"[a-z]+", "(?i)HOPPER", "hopper"},
		{".*-1", "1-.*", "1-1"},
		{"A?", "A?", "A"},
		{"A?", "B?", ""}, // an empty label is none
	} {
		a, err := label.NewRules(c.a, "")
		if err != nil {
			t.Fatal(err)
		}
		b, err := label.NewRules(c.b, "")
		if err != nil {
			t.Fatal(err)
		}
		for range 2 {
			if serial, both := label.Overlap(a, b); serial != c.serial || both != (c.serial != "") {
				t.Errorf("%q and %q: %q, %v; want %q", c.a, c.b, serial, both, c.serial)
			}
			a, b = b, a
		}
	}
}
