package term_test

import (
	"fmt"
	"strings"
	"testing"

	"example.org/panecal/station/screen/term"
)

const letters = string(term.Tick) + string(term.Cross) + string(term.Bars) + "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 .,:!?-+=/()%'<>#&"

func TestFonts(t *testing.T) {
	for _, c := range []struct {
		name string
		font term.Font
		rows int
	}{{"five rows", term.Five(), 5}, {"seven rows", term.Seven(), 7}} {
		t.Run(c.name, func(t *testing.T) {
			if c.font.Rows() != c.rows {
				t.Errorf("%d rows, want %d", c.font.Rows(), c.rows)
			}
			if !c.font.Has(letters) || !c.font.Has(strings.ToLower(letters)) {
				t.Error("letters are missing")
			}
			if c.font.Has("ß") || c.font.Has("A~") {
				t.Error("claims letters that it has not")
			}
			drawn := map[string]rune{}
			for _, r := range letters + "~" {
				lines := c.font.Lines(string(r), '#')
				if len(lines) != c.rows {
					t.Fatalf("%q: %d lines", r, len(lines))
				}
				for _, line := range lines {
					if len(line) != c.font.Width(string(r)) {
						t.Errorf("%q: line %q, width %d", r, line, c.font.Width(string(r)))
					}
				}
				shape := strings.Join(lines, "\n")
				if other, ok := drawn[shape]; ok && r != '~' {
					t.Errorf("%q and %q look the same", r, other)
				}
				drawn[shape] = r
			}
			if got, want := c.font.Width("AB"), c.font.Width("A")+1+c.font.Width("B"); got != want {
				t.Errorf("width of AB: %d, want %d", got, want)
			}
			if c.font.Width("") != 0 {
				t.Errorf("width of nothing: %d", c.font.Width(""))
			}
		})
	}
}

// The doc comments promise 16 letters in 80 or 120 columns, for words of the
// mixture that English has.
func TestFontsCapacity(t *testing.T) {
	const words = "TAKE OUT UNIT 2!"
	if w := term.Five().Width(words); w > 80 {
		t.Errorf("five rows: %d columns", w)
	}
	if w := term.Seven().Width(words); w > 120 {
		t.Errorf("seven rows: %d columns", w)
	}
}

func ExampleFont_Lines() {
	for _, line := range term.Five().Lines("nest 2", '#') {
		fmt.Println(strings.TrimRight(line, " "))
	}
	// Output:
	// #   # ####  ## ###    ###
	// ##  # #    #    #        #
	// # # # ###   #   #      ##
	// #  ## #      #  #     #
	// #   # #### ##   #     ####
}
