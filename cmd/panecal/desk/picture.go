package desk

import (
	"fmt"
	"image/color"
	"io"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"

	"example.org/panecal/limits/study"
	"example.org/panecal/limits/visible"
	"example.org/panecal/store/export"
)

// mostLots is how many groups of a kind a text lists.
const mostLots = 12

func (a *capability) writeText(w io.Writer) error {
	var b strings.Builder
	if len(a.Products) == 0 {
		b.WriteString("no attempt chosen has a value of " + a.Quantity + "\n")
	}
	for i, p := range a.Products {
		if i > 0 {
			b.WriteString("\n")
		}
		fmt.Fprintf(&b, "%s of %s, %s … %s %s, limits %.12s\n\n", a.Quantity, visible.Text(p.Product), numberWords(p.Lower), numberWords(p.Upper), a.Unit, p.Limits)
		picture(&b, p.values, float64(p.Lower), float64(p.Upper))
		b.WriteString("\n")
		fmt.Fprintf(&b, "%-22s %7s %10s %10s %17s %7s\n", "", "n", "mean", "sd", "index", "without")
		told := map[string]int{}
		for _, g := range p.Groups {
			if told[g.By]++; told[g.By] > mostLots {
				continue
			}
			name, note := strings.TrimSpace(g.By+" "+visible.Text(g.Name)), ""
			switch {
			case g.Stable == nil:
				note = "f"
			case !*g.Stable:
				note = "u"
			}
			if g.Index == "ppk by percentiles" {
				note += "n"
			}
			bounds, without := g.quoted()
			fmt.Fprintf(&b, "%-22s %7d %10.5g %10.4g %17s %7s %s\n", name, g.N, float64(g.Mean), float64(g.SD), bounds, without, note)
		}
		for _, by := range groupings() {
			if n := told[by]; n > mostLots {
				fmt.Fprintf(&b, "  and %d more by %s: --json lists all\n", n-mostLots, by)
			}
		}
	}
	if len(a.Products) > 0 {
		fmt.Fprintf(&b, `
index: in brackets the lower bound, %.4g %%; without: without the measurement's
own variance. Cpk where the process shows itself stable, else Ppk; Ppk%% goes by
percentiles. f: too few to call stable, u: not stable, n: not normal.
`, 100*a.Confidence)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// numberWords is a number, or - where there is none.
func numberWords(n study.Number) string {
	if !n.Defined() {
		return "-"
	}
	return fmt.Sprintf("%.6g", float64(n))
}

// quoted is the index to quote in words, with bounds, and the same without the
// measurement's variance.
func (g *capableOnes) quoted() (bounds, without string) {
	of := func(c *study.Capability) study.Bounds {
		if g.Index == "cpk" {
			return c.Cpk
		}
		return c.Ppk
	}
	name, v := strings.ToUpper(g.Index[:1])+g.Index[1:3], of(g.Measured)
	if g.Index == "ppk by percentiles" {
		name, v = "Ppk%", g.Percentiles.Ppk
	}
	if !v.Value.Defined() {
		return "no limit", "-"
	}
	without = "-"
	if g.Units != nil && g.Index != "ppk by percentiles" {
		without = fmt.Sprintf("%.2f", float64(of(g.Units).Value))
	}
	if !v.Lower.Defined() {
		return fmt.Sprintf("%s %.2f", name, float64(v.Value)), without
	}
	return fmt.Sprintf("%s %.2f (%.2f)", name, float64(v.Value), float64(v.Lower)), without
}

// picture draws a distribution in letters: a row a class, with the limits.
func picture(b *strings.Builder, values []float64, low, high float64) {
	const rows, width = 14, 48
	from, to := extent(values, low, high)
	step := (to - from) / rows
	if !(step > 0) {
		return
	}
	count, most := make([]int, rows), 1
	for _, v := range values {
		i := min(rows-1, max(0, int((v-from)/step)))
		count[i]++
		most = max(most, count[i])
	}
	for i, n := range count {
		a, z := from+float64(i)*step, from+float64(i+1)*step
		mark := ""
		if low >= a && low < z {
			mark += " < lower limit"
		}
		if high > a && high <= z {
			mark += " < upper limit"
		}
		bar := strings.Repeat("#", (n*width+most-1)/most)
		fmt.Fprintf(b, "%11.5g |%s%s\n", a, bar, mark)
	}
}

// extent is what a picture shows: the values, and limits that are near.
func extent(values []float64, low, high float64) (from, to float64) {
	from, to = slices.Min(values), slices.Max(values)
	wide := max(to-from, math.Abs(to)*1e-9, 1e-300)
	if low < from && from-low < 2*wide {
		from = low
	}
	if high > to && high-to < 2*wide {
		to = high
	}
	pad := (to - from) / 40
	return from - pad, to + pad
}

// svg draws the distribution of the first product.
func (a *capability) svg(path string) error {
	if len(a.Products) == 0 {
		return fmt.Errorf("no attempt chosen has a value of %s", a.Quantity)
	}
	p := a.Products[0]
	pl := plot.New()
	pl.Title.Text = fmt.Sprintf("%s of %s", a.Quantity, p.Product)
	pl.X.Label.Text, pl.Y.Label.Text = a.Unit, "attempts"
	h, err := plotter.NewHist(plotter.Values(p.values), 40)
	if err != nil {
		return err
	}
	h.FillColor = color.Gray{200}
	pl.Add(h)
	_, _, _, top := h.DataRange()
	for _, limit := range []study.Number{p.Lower, p.Upper} {
		if !limit.Defined() {
			continue
		}
		line, err := plotter.NewLine(plotter.XYs{{X: float64(limit), Y: 0}, {X: float64(limit), Y: top}})
		if err != nil {
			return err
		}
		line.Width = vg.Points(2)
		line.Dashes = []vg.Length{vg.Points(6), vg.Points(3)}
		pl.Add(line)
	}
	return drawSVG(pl, path)
}

// drawSVG writes a picture, whole or not at all.
func drawSVG(pl *plot.Plot, path string) error {
	c := vgsvg.New(16*vg.Centimeter, 10*vg.Centimeter)
	pl.Draw(draw.New(c))
	return export.ToFile(path, func(w io.Writer) error {
		_, err := c.WriteTo(w)
		return err
	})
}
