package main

import (
	"os"
	"strings"
	"testing"
)

// Every command, `panecal version` too, starts the libraries that draw. One of
// them made a table of the widths of all characters at each start in v0.0.27:
// 30 ms of the 39 that a command took. v0.0.31 makes none. Before another
// version is taken, look what `GODEBUG=inittrace=1 panecal version` says of it.
func TestNoTableOfWidthsAtTheStart(t *testing.T) {
	const module, quick = "github.com/mattn/go-runewidth", "v0.0.31"
	text, err := os.ReadFile("../../go.mod")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		if f := strings.Fields(line); len(f) > 1 && f[0] == module {
			if f[1] != quick {
				t.Errorf("%s %s: is it as quick at a start as %s?", module, f[1], quick)
			}
			return
		}
	}
	t.Errorf("%s is not linked any more: this test can go", module)
}
