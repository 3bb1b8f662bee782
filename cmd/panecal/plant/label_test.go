package plant

import (
	"errors"
	"testing"

	"example.org/panecal/station/label"
)

// TestLabelsMadeUp: a label is made up for each pattern and check that a product
// file may have, a hundred of them differ, and a pattern that none is made up for
// says so.
func TestLabelsMadeUp(t *testing.T) {
	for _, c := range []struct {
		pattern string
		check   label.Check
		first   string // "" where there is none
	}{
		{"", label.NoCheck, "TRIAL12-00001"},
		{"", label.Mod37_36, "TRIAL12-00001B"},
		{"", label.Mod97x10, "000000000000195"},
		{"H54-[0-9]{5,7}-[0-9A-Z]", label.Mod37_36, "H54-00001-O"},
		{"[0-9]{9}", label.Mod11_10, ""},
		{"[0-9]{9}[0-9X]", label.Mod11x2, ""},
		{"(AB|CD)[A-Z]+x?", label.NoCheck, "ABAAAAB"},
		{`S\d+`, label.NoCheck, "S00001"},
		{"^S.*$", label.NoCheck, "S00001"},
		{`[ -/]{3}[0-9]{3}`, label.NoCheck, "---001"},
		{"S(?:[0-9]{2}){3}", label.NoCheck, "S000001"},
	} {
		rules, err := label.NewRules(c.pattern, c.check)
		if err != nil {
			t.Fatal(err)
		}
		seen := map[string]bool{}
		for n := 1; n <= 100; n++ {
			got, err := labelOf(rules, c.pattern, c.check, "trial-12", n)
			if err != nil {
				t.Fatalf("%q, %s: %v", c.pattern, c.check, err)
			}
			if _, err := rules.Parse(got); err != nil {
				t.Errorf("%q, %s: %s is not taken: %v", c.pattern, c.check, got, err)
			}
			if n == 1 && c.first != "" && got != c.first {
				t.Errorf("%q, %s: %s, want %s", c.pattern, c.check, got, c.first)
			}
			seen[got] = true
		}
		if len(seen) != 100 {
			t.Errorf("%q, %s: %d labels of 100 units", c.pattern, c.check, len(seen))
		}
	}
	for _, c := range []struct {
		pattern string
		check   label.Check
	}{{"[0-9]", label.Mod37_36}, {"é{3}", label.NoCheck}, {`\bA[0-9]{3}`, label.NoCheck}, {"A[0-9]{4}[abc]", label.Mod37_36}} {
		rules, err := label.NewRules(c.pattern, c.check)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := labelOf(rules, c.pattern, c.check, "trial-12", 1); !errors.Is(err, ErrNoLabel) {
			t.Errorf("%q, %s: %s, %v", c.pattern, c.check, got, err)
		}
	}
}
