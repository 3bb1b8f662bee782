package estimate_test

import (
	"os"
	"strings"
	"testing"

	"example.org/panecal/limits/quantity"
)

// The table of measurands in the package comment has each quantity, with the
// unit that is recorded, and says of which there is one a zone.
func TestTableOfMeasurands(t *testing.T) {
	text, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	_, text2, found := strings.Cut(string(text), "// # Measurands\n")
	table, _, found2 := strings.Cut(text2, "// # Budget\n")
	if !found || !found2 {
		t.Fatal("doc.go has no table of measurands")
	}
	units, zoned := map[string]string{}, map[string]bool{}
	for line := range strings.Lines(table) {
		cells, ok := strings.CutPrefix(line, "//\t")
		if !ok || strings.HasPrefix(cells, " ") {
			continue
		}
		var names []string
		words := strings.Fields(cells)
		for len(words) > 0 && strings.Contains(words[0], ".") || len(words) > 0 && words[0] == string(quantity.Temperature) {
			names, words = append(names, words[0]), words[1:]
		}
		if len(names) == 0 || len(words) < 2 {
			continue // the model's formula
		}
		for _, n := range names {
			units[n], zoned[n] = words[0], strings.HasPrefix(strings.Join(words[1:], " "), "a zone:")
		}
	}
	// verify.error_far is said to be the same as the line above it.
	zoned[string(quantity.VerifyErrorFar)] = zoned[string(quantity.VerifyError)]
	for _, d := range quantity.All() {
		unit, ok := units[string(d.Name)]
		switch {
		case !ok:
			t.Errorf("%s is not in the table of measurands of station/estimate/doc.go", d.Name)
		case unit != d.Unit || zoned[string(d.Name)] != d.Zoned:
			t.Errorf("%s: the table says %s, a zone %v; it is recorded in %s, a zone %v", d.Name, unit, zoned[string(d.Name)], d.Unit, d.Zoned)
		}
		delete(units, string(d.Name))
	}
	for n := range units {
		t.Errorf("%s is in the table of measurands and is no quantity", n)
	}
}
