package dossier_test

import (
	"encoding/json"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"example.org/panecal/station/figure"
	"example.org/panecal/store/dossier"
	"example.org/panecal/store/query"
)

// shown is a dossier with all that may be known of a unit.
func shown(t *testing.T) *dossier.Dossier {
	d := made(t, "H54-00004-I")
	none := query.Number(math.NaN())
	h := figure.Histogram{Title: "H54 <b>, zone 7", FirstBinPS: -1500, BinPS: 250, Counted: []float64{0.001, 0.04, 0.002}, SD: []float64{0.001, 0.001, 0},
		Leakage: []float64{0, 0.01, 0}, Ambient: []float64{0.001, 0.001, 0.001}, Signal: []float64{0, 0.025, 0}, Notes: []string{"budget: counting 0.2 mm"}}
	maps := make([]query.Number, 54)
	for z := range maps {
		maps[z] = query.Number(1 + float64(z)/10)
	}
	maps[3] = none
	d.Evidence = &dossier.Evidence{
		Histograms: []dossier.Histogram{{Capture: "empty", Zone: 7, Histogram: h}, {Capture: "target", Zone: 7, Histogram: h}},
		Population: &dossier.Population{Product: "hopper-54", From: d.Made, Until: d.Made, Groups: []dossier.Group{{By: "lot", Name: "W-1\x1b", Units: 12}, {By: "nest", Name: "B", Units: 0}},
			Quantities: []dossier.Standing{{Name: "offset.mean", Unit: "mm", Value: 3, Median: 2, Percentiles: []query.Number{0.975, none}}}, Units: 200, Distance: 4.5, P: 0.004, FalseAlarm: 0.01, Odd: true,
			Used: []dossier.Departure{{Name: "leakage.max", Sigmas: 5.2}, {Name: "offset.mean", Sigmas: -1}}, LeftOut: []string{"zones.dead"}, Attempts: 200, Rows: 6, Cols: 9, Leakage: maps, Signal: maps},
		Causes: &dossier.Causes{Population: 200, List: []dossier.Cause{{Code: "dirt", Text: "dirt on the window", Probability: 0.61, Prior: 0.025, Ratio: 1e9, For: []string{"level of the leakage +5.2 sd, ratio 900"}, Against: []string{}},
			{Code: "none", Text: "no fault found", Probability: 0.01, Prior: 0.7, Ratio: 1, For: []string{}, Against: []string{}}}, Next: &dossier.Next{Action: "Wipe the window, run again.", If: "dirt", Else: "gap"}, Caveat: "no real case"},
		Missing: []string{"No histogram of the target capture: it is <gone>"},
	}
	return d
}

// Raw light, neighbours and causes stand in the page, and all of it in the JSON.
func TestEvidence(t *testing.T) {
	d := shown(t)
	text := string(page(t, d))
	for _, want := range []string{">Raw light<", "The most is counted at -1125 ps: 0.04 counts per shot. The largest residual is &#43;4.0 standard deviations, at -1125 ps. budget: counting 0.2 mm.",
		"Not told apart. Next: Wipe the window, run again. If the unit comes back to what others are like: dirt. If it stays: gap.", "<td class=\"number\">61.0</td>", "robust distance 4.5, as far out as 0.4 % of the 200 units that passed",
		"<strong class=\"bad\">odd</strong>", "leakage.max 5.2 sd, offset.mean -1 sd", "Left out: zones.dead", "lot W-1&lt;1B&gt;, 12 units", "<td class=\"number\">97.5</td><td class=\"number\">–</td>", "it is &lt;gone&gt;", "leakage over the median of 200 attempts"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	data, err := json.Marshal(d)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`"histograms":[{"capture":"empty","zone":7,"first_bin_ps":-1500,"bin_ps":250,"counted":[0.001,0.04,0.002]`, `"percentiles":[0.975,null]`, `"probability":0.61`, `"if_it_comes_back":"dirt"`, `"missing":["No histogram`} {
		if !strings.Contains(string(data), want) {
			t.Errorf("the JSON has no %s", want)
		}
	}
}

// What an accessibility checker asks of a page, by hand, where none is at hand: each
// picture has a role, a title and a description and words beside it, each table header
// cells and rows of one width, ids are unique, and every colour on white has a contrast
// of 4.5 and more where it is text, 3 where it is a line (WCAG 2.2, 1.1.1, 1.3.1,
// 1.4.3, 1.4.11; from memory).
func TestPageIsAccessible(t *testing.T) {
	d := shown(t)
	text := string(page(t, d))
	svgs := regexp.MustCompile(`(?s)<svg .*?</svg>`).FindAllString(text, -1)
	if len(svgs) < 8 {
		t.Errorf("%d pictures", len(svgs))
	}
	for _, svg := range svgs {
		if !regexp.MustCompile(`(?s)^<svg [^>]*role="img"[^>]*><title>[^<]+</title><desc>[^<]+</desc>`).MatchString(svg) {
			t.Errorf("a picture without title or description: %.200s", svg)
		}
	}
	for _, f := range regexp.MustCompile(`(?s)<figure>.*?</figure>`).FindAllString(text, -1) {
		if !regexp.MustCompile(`(?s)<figcaption>.{20,}</figcaption>`).MatchString(f) {
			t.Errorf("a picture without words: %.200s", f)
		}
	}
	for _, table := range regexp.MustCompile(`(?s)<table>.*?</table>`).FindAllString(text, -1) {
		if !strings.Contains(table, "<caption>") || !strings.Contains(table, "<th scope=") {
			t.Errorf("a table without caption or header cells: %.200s", table)
		}
		width := 0
		for _, row := range regexp.MustCompile(`(?s)<tr>.*?</tr>`).FindAllString(table, -1) {
			n := len(regexp.MustCompile(`<t[hd][ >]`).FindAllString(row, -1))
			if width == 0 {
				width = n
			}
			if n != width || !strings.Contains(row, "<th ") {
				t.Errorf("a row of %d cells in a table of %d, or without a header cell: %s", n, width, row)
			}
		}
	}
	ids := map[string]bool{}
	for _, m := range regexp.MustCompile(` id="([^"]*)"`).FindAllStringSubmatch(text, -1) {
		if ids[m[1]] {
			t.Errorf("two of id %s", m[1])
		}
		ids[m[1]] = true
	}
	cells := regexp.MustCompile(`<rect [^>]*fill="(#[0-9a-f]+)"[^>]*/><text [^>]*fill="(#[0-9a-f]+)"`)
	pairs := cells.FindAllStringSubmatch(text, -1)
	for _, m := range regexp.MustCompile(`<text [^>]*fill="(#[0-9a-f]+)"`).FindAllStringSubmatch(cells.ReplaceAllString(text, ""), -1) {
		pairs = append(pairs, []string{"", "#fff", m[1]})
	}
	for _, m := range pairs {
		if c := contrast(t, m[1], m[2]); c < 4.5 {
			t.Errorf("text of %s on %s has a contrast of %.2f", m[2], m[1], c)
		}
	}
	for _, m := range regexp.MustCompile(`stroke="(#[0-9a-f]+)"`).FindAllStringSubmatch(text, -1) {
		if c := contrast(t, "#fff", m[1]); c < 3 {
			t.Errorf("a line of %s on white has a contrast of %.2f", m[1], c)
		}
	}
	if len(pairs) < 100 {
		t.Errorf("%d texts in pictures", len(pairs))
	}
	for _, ref := range regexp.MustCompile(`(?i)(https?:|url\(|@import|<script|javascript:)[^<]{0,40}`).FindAllString(text, -1) {
		if !strings.HasPrefix(ref, "http://www.w3.org/") {
			t.Errorf("a reference to elsewhere: %s", ref)
		}
	}
	for _, want := range []string{"@page { size: A4;", "@media print", "<html lang=\"en\">", "<title>Dossier of unit H54-00004-I</title>", "<main>"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %s", want)
		}
	}
}

// contrast is that of two colours (WCAG 2.2, relative luminance).
func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	light := func(colour string) float64 {
		hex := strings.TrimPrefix(colour, "#")
		if len(hex) == 3 {
			hex = fmt.Sprintf("%c%c%c%c%c%c", hex[0], hex[0], hex[1], hex[1], hex[2], hex[2])
		}
		n, err := strconv.ParseUint(hex, 16, 32)
		if err != nil {
			t.Fatal(err)
		}
		linear := func(v uint64) float64 {
			c := float64(v&0xff) / 255
			if c <= 0.04045 {
				return c / 12.92
			}
			return math.Pow((c+0.055)/1.055, 2.4)
		}
		return 0.2126*linear(n>>16) + 0.7152*linear(n>>8) + 0.0722*linear(n) + 0.05
	}
	x, y := light(a), light(b)
	return max(x, y) / min(x, y)
}
