package figure_test

import (
	"encoding/xml"
	"errors"
	"io"
	"math"
	"strings"
	"testing"

	"example.org/panecal/station/figure"
)

var small = figure.ZoneMap{Title: "leakage", Unit: "{count}/{shot}", Rows: 2, Cols: 3,
	Values: []float64{0.001, 0.002, 0.003, 0.0015, math.NaN(), 0.0125}, Flags: [][]string{nil, nil, nil, nil, {"dead"}, nil}}

func TestZoneMapText(t *testing.T) {
	want := "leakage, 1e-3 {count}/{shot}\n" +
		"  1.00    2.00 .  3.00 .\n" +
		"  1.50    dead ?  12.5 @\n"
	if got := small.Text(80); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	if got := small.Text(20); strings.Contains(got, "12.5") || !strings.Contains(got, "??@@") {
		t.Errorf("in 20 columns:\n%s", got)
	}
}

// textOf is all text of an SVG, and an error where it is not well formed.
func textOf(svg string) (string, error) {
	d := xml.NewDecoder(strings.NewReader(svg))
	var b strings.Builder
	for {
		tok, err := d.Token()
		switch {
		case errors.Is(err, io.EOF):
			return b.String(), nil
		case err != nil:
			return "", err
		}
		if c, ok := tok.(xml.CharData); ok {
			b.WriteString(string(c) + " ")
		}
	}
}

func TestZoneMapSVG(t *testing.T) {
	text, err := textOf(small.SVG())
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"leakage, 1e-3", "12.5", "dead", "2 rows of 3 zones"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in %s", want, text)
		}
	}
}

// Whatever a unit or a file says is text in the picture, and breaks none.
func TestHostileNames(t *testing.T) {
	for _, name := range []string{"</svg><script>", "a\x1b[31mb", "\"'&", "\xff\xfe", "\u202e"} {
		m := small
		m.Title, m.Flags = name, [][]string{nil, nil, nil, nil, {name}, nil}
		text, err := textOf(m.SVG())
		if err != nil || strings.Contains(m.SVG(), "<script") || strings.Contains(text, "\x1b") {
			t.Errorf("%q: %v\n%s", name, err, m.SVG())
		}
		if strings.Contains(m.Text(80), "\x1b") {
			t.Errorf("%q reaches the terminal", name)
		}
	}
	for _, m := range []figure.ZoneMap{{}, {Rows: 1, Cols: 1}, {Rows: 1, Cols: 2, Values: []float64{math.Inf(1), math.NaN()}}, {Rows: 1, Cols: 1, Values: []float64{0}}} {
		if _, err := textOf(m.SVG()); err != nil {
			t.Errorf("%+v: %v", m, err)
		}
		m.Text(80)
	}
}
