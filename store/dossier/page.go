package dossier

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"html"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station/figure"
	"example.org/panecal/store/query"
)

//go:embed page.html
var pageText string

func proofNote(records int, size int64, at time.Time, left int) string {
	note := fmt.Sprintf("%d records, proven under the station's checkpoint at record %d of %s.", records, size, at.UTC().Format(time.RFC3339))
	if left > 0 {
		note += fmt.Sprintf(" %d newer records are not covered by it.", left)
	}
	return note
}

const (
	proofBegins = `<pre id="panecal-proof">`
	proofEnds   = `</pre>`
)

// ErrNoProof: a page carries no proof.
var ErrNoProof = errors.New("this page carries no proof")

// IsPage says whether data is a dossier's page rather than a proof itself.
func IsPage(data []byte) bool { return bytes.HasPrefix(data, []byte("<!DOCTYPE html>")) }

// ProofIn returns the proof that a page carries, byte for byte as it was made.
func ProofIn(page []byte) ([]byte, error) {
	_, rest, found := bytes.Cut(page, []byte(proofBegins))
	text, _, ends := bytes.Cut(rest, []byte(proofEnds))
	if !found || !ends {
		return nil, ErrNoProof
	}
	if bytes.Contains(rest, []byte(proofBegins)) {
		return nil, errors.New("this page carries more than one proof")
	}
	return []byte(html.UnescapeString(string(text))), nil
}

// picture is a map of the zones with the words beside it.
type picture struct {
	Title string
	SVG   template.HTML
	Words string
	Head  []int
	Rows  []pictureRow
}

type pictureRow struct {
	Row   int
	Cells []string
}

func pictures(a *query.Attempt) []picture {
	if a == nil {
		return nil
	}
	return drawMaps(a.Maps())
}

func drawMaps(maps []figure.ZoneMap) []picture {
	var list []picture
	for _, m := range maps {
		p := picture{Title: m.Title + ", " + m.Unit, SVG: template.HTML(m.SVG()), Words: inWords(m)}
		for c := range m.Cols {
			p.Head = append(p.Head, c+1)
		}
		for r := range m.Rows {
			row := pictureRow{Row: r + 1}
			for c := range m.Cols {
				row.Cells = append(row.Cells, digits(m.Values[r*m.Cols+c]))
			}
			p.Rows = append(p.Rows, row)
		}
		list = append(list, p)
	}
	return list
}

// inWords says what a map shows.
func inWords(m figure.ZoneMap) string {
	low, high, atLow, atHigh, n := math.Inf(1), math.Inf(-1), 0, 0, 0
	for z, v := range m.Values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			continue
		}
		n++
		if v < low {
			low, atLow = v, z
		}
		if v > high {
			high, atHigh = v, z
		}
	}
	at := func(z int) string { return fmt.Sprintf("row %d, column %d", z/m.Cols+1, z%m.Cols+1) }
	return fmt.Sprintf("%d of %d zones were measured. The smallest value is %s (%s), the largest %s (%s).", n, m.Rows*m.Cols, digits(low), at(atLow), digits(high), at(atHigh))
}

func digits(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	return fmt.Sprintf("%.4g", v)
}

// measured is a line of the table of quantities.
type measured struct {
	Name, Value, U, Unit, Rule, P, Verdict string
}

func quantities(a *query.Attempt) []measured {
	var list []measured
	if a == nil {
		return nil
	}
	judged := map[string]query.Line{}
	for _, l := range a.Lines {
		judged[l.Name] = l
	}
	for _, d := range quantity.All() {
		name := string(d.Name)
		q, has := a.Quantities[name]
		l, held := judged[name]
		if !has && !held {
			continue
		}
		m := measured{Name: name, Value: "–", U: "–", Unit: d.Unit, Rule: "no limit", P: "–", Verdict: "–"}
		if has {
			m.Value, m.U = digits(float64(q.Value)), digits(float64(q.U))
		}
		if held {
			m.Rule, m.Verdict, m.P = rule(l), "FAILED", digits(float64(l.PConforming))
			if l.Passed {
				m.Verdict = "passed"
			}
		}
		list = append(list, m)
	}
	return list
}

// rule is the decision rule of a limit.
func rule(l query.Line) string {
	var parts []string
	k := float64(l.K)
	side := func(bound query.Number, sign, compare string) {
		if math.IsNaN(float64(bound)) {
			return
		}
		if k == 0 {
			parts = append(parts, fmt.Sprintf("value %s %s", compare, digits(float64(bound))))
		} else {
			parts = append(parts, fmt.Sprintf("value %s %g u %s %s", sign, k, compare, digits(float64(bound))))
		}
	}
	side(l.Lower, "−", "≥")
	side(l.Upper, "+", "≤")
	if len(parts) == 0 {
		return "must be measured"
	}
	return strings.Join(parts, " and ")
}

// witnessed is a line of the table of witnesses: those of a kind that agree, with the
// one that goes furthest, or one that says otherwise.
type witnessed struct {
	Witness
	Count int
}

func (d *Dossier) witnessed() []witnessed {
	var list []witnessed
	for _, w := range d.Log.Witnesses {
		i := slices.IndexFunc(list, func(o witnessed) bool { return o.Agrees && w.Agrees && o.Kind == w.Kind })
		if i < 0 {
			list = append(list, witnessed{w, 1})
			continue
		}
		list[i].Count++
		if w.Sequence > list[i].Sequence {
			list[i].Witness = w
		}
	}
	return list
}

// WriteHTML writes the page.
func (d *Dossier) WriteHTML(w io.Writer) error {
	zone := d.zone
	if zone == nil {
		zone = time.UTC
	}
	t, err := template.New("page").Funcs(template.FuncMap{
		"v":    visible.Text,
		"when": func(t time.Time) string { return t.In(zone).Format("2006-01-02 15:04:05 -07:00") },
		"pct":  func(v float64) string { return fmt.Sprintf("%.1f", 100*v) },
		"rank": func(n query.Number) string {
			if math.IsNaN(float64(n)) {
				return "–"
			}
			return fmt.Sprintf("%.1f", 100*float64(n))
		},
		"n":      func(n query.Number) string { return digits(float64(n)) },
		"join":   func(l []string) string { return visible.Text(strings.Join(l, ", ")) },
		"proof":  func() string { return string(d.Proof) },
		"signed": func(s bool) string { return map[bool]string{true: "signed", false: "not signed"}[s] },
	}).Parse(pageText)
	if err != nil {
		return fmt.Errorf("writing the dossier: %w", err)
	}
	a := d.reported()
	var b bytes.Buffer
	if err := t.Execute(&b, struct {
		*Dossier
		Attempt    *query.Attempt
		Quantities []measured
		Pictures   []picture
		Witnessed  []witnessed
		Drawn      []drawn
		Over       []picture
	}{d, a, quantities(a), pictures(a), d.witnessed(), d.Evidence.drawn(), drawMaps(d.Evidence.maps())}); err != nil {
		return fmt.Errorf("writing the dossier: %w", err)
	}
	if _, err := w.Write(b.Bytes()); err != nil {
		return fmt.Errorf("writing the dossier: %w", err)
	}
	return nil
}
