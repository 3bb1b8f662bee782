package term_test

import (
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"

	"example.org/panecal/station/screen/term"
)

const letters = string(term.Tick) + string(term.Cross) + string(term.Bars) + "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 .,:!?-+=/()%'<>#&"

func TestFonts(t *testing.T) {
	for _, c := range []struct {
		name string
		font term.Font
		rows int
	}{{"five rows", term.Five(), 5}, {"seven rows", term.Seven(), 7}, {"half blocks, 3 rows", term.Half(3, 4), 3}, {"half blocks, 4 rows", term.Half(4, 4), 4},
		{"half blocks, 5 rows", term.Half(5, 5), 5}, {"half blocks, 6 rows", term.Half(6, 4), 6}, {"half blocks, 6 rows, wide", term.Half(6, 8), 6},
		{"half blocks, 9 rows", term.Half(9, 12), 9}} {
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
					if utf8.RuneCountInString(line) != c.font.Width(string(r)) || strings.Trim(line, "█▀▄# ") != "" {
						t.Errorf("%q: line %q, width %d", r, line, c.font.Width(string(r)))
					}
				}
				shape := strings.Join(lines, "\n")
				if other, ok := drawn[shape]; ok && r != '~' {
					t.Errorf("%q and %q look the same", r, other)
				}
				drawn[shape] = r
			}
			if got, want := c.font.Width("AB"), c.font.Width("A")+c.font.Gap()+c.font.Width("B"); got != want {
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

// A line takes the largest letters that it fits into, and none where there are
// none.
func TestFitting(t *testing.T) {
	for _, c := range []struct {
		letters       term.Letters
		line          string
		columns, rows int
		want          int // columns of an H, 0 for no font
	}{
		{term.HalfBlocks, "PASS", 76, 6, 8}, {term.HalfBlocks, "BRING TARGET", 76, 6, 5}, {term.HalfBlocks, "NOT A UNIT LABEL", 76, 6, 4},
		{term.HalfBlocks, "NOT A UNIT LABEL, EVER", 76, 6, 0}, {term.HalfBlocks, "ß", 76, 6, 0}, {term.HalfBlocks, "A", 76, 2, 0},
		{term.FullCells, "BRING TARGET", 116, 7, 6}, {term.FullCells, "BRING TARGET", 76, 7, 4}, {term.FullCells, "A", 76, 4, 0},
	} {
		font, ok := c.letters.Fitting(c.line, c.columns, c.rows)
		if ok != (c.want > 0) || ok && (font.Width("H") != c.want || font.Width(c.line) > c.columns || font.Rows() > c.rows) {
			t.Errorf("%q in %d columns: %v, H is %d wide, want %d", c.line, c.columns, ok, font.Width("H"), c.want)
		}
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
