package figure_test

import (
	"math"
	"strings"
	"testing"

	"example.org/panecal/station/figure"
)

var peak = figure.Histogram{Title: "zone 5, target", FirstBinPS: -240, BinPS: 240,
	Counted: []float64{0.0001, 0.0104, 0.0001, 0.0401}, SD: []float64{0.0001, 0.0002, 0.0001, 0.0001},
	Leakage: []float64{0, 0.01, 0, 0}, Ambient: []float64{0.0001, 0.0001, 0.0001, 0.0001}, Signal: []float64{0, 0, 0, 0.04},
	Notes: []string{"budget: counting 0.02 mm"}}

func TestHistogramText(t *testing.T) {
	want := `zone 5, target
. ambient  L leakage  # signal  | counted; square roots
      ps      mm {c}/{shot}                           sd off
    -120   -18.0     0.0001  .|                          0.0
     120    18.0     0.0104  .LLLLLLLLLLL|               1.5
     360    54.0     0.0001  .|                          0.0
     600    89.9     0.0401  .######################|    0.0
sum of squared residuals 2.2 in 4 bins
budget: counting 0.02 mm
`
	if got := peak.Text(60, 0); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	if got := peak.Text(60, 2); !strings.Contains(got, "bins 3 to 4 of 4") {
		t.Errorf("two bins:\n%s", got)
	}
	for l := range strings.Lines(peak.Text(80, 0)) {
		if len(l) > 81 {
			t.Errorf("%d columns: %s", len(l)-1, l)
		}
	}
}

func TestHistogramSVG(t *testing.T) {
	h := peak
	h.Title = "<zone\x1b> & \u202e"
	text, err := textOf(h.SVG())
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"<zone<1B>> & <U+202E>", "leakage", "residuals", "budget: counting 0.02 mm", "4 bins of 240 ps from -240 ps; highest 0.0401"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in %s", want, text)
		}
	}
	if strings.Contains(h.SVG(), "NaN") {
		t.Error("NaN is drawn")
	}
	for _, h := range []figure.Histogram{{}, {Counted: []float64{math.NaN()}}, {Counted: []float64{0, 1}, SD: []float64{0}, Signal: []float64{math.Inf(1)}}} {
		if _, err := textOf(h.SVG()); err != nil || strings.Contains(h.SVG(), "Inf") || strings.Contains(h.SVG(), "NaN") {
			t.Errorf("%+v: %v\n%s", h, err, h.SVG())
		}
		h.Text(80, 10)
	}
}
