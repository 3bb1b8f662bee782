package history

import (
	"os"
	"strings"
	"testing"

	"example.org/panecal/limits/quantity"
)

// The documentation holds the population as it is drawn.
func TestPopulationIsDocumented(t *testing.T) {
	doc, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range []*population{hopper54(), hopper1()} {
		for _, line := range strings.Split(strings.TrimSuffix(p.table(), "\n"), "\n") {
			if !strings.Contains(string(doc), "//\t"+line+"\n") {
				t.Errorf("doc.go does not say\n//\t%s", line)
			}
		}
		for _, s := range p.spreads {
			if _, ok := quantity.Lookup(s.name); !ok {
				t.Errorf("%s is no quantity", s.name)
			}
		}
	}
	for _, c := range Causes() {
		if !strings.Contains(string(doc), "\n//\t"+string(c)+" ") {
			t.Errorf("doc.go does not say what %s is", c)
		}
	}
}
