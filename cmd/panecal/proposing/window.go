package proposing

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/study"
	"example.org/panecal/station/window"
)

// expected is the answer of `limits propose window`.
type expected struct {
	Schema   string        `json:"schema"`
	Label    string        `json:"label"`
	Draws    int           `json:"draws"`
	Seed     uint64        `json:"seed"`
	Paths    []lightPath   `json:"paths"`    // of the nominal window, the strongest first
	Fraction spread        `json:"fraction"` // of the emitted power, at the aperture
	Distance spread        `json:"distance_mm"`
	Leakage  *spread       `json:"leakage"` // counts per shot in a zone; null: the file has no [unit]
	Causes   []contributed `json:"causes"`
}

type lightPath struct {
	Face       window.Face `json:"face"`
	GapTrips   int         `json:"gap_trips"`
	PlateTrips int         `json:"plate_trips"`
	Fraction   float64     `json:"fraction"`
	DistanceMM float64     `json:"distance_mm"`
}

// spread describes what windows of the drawing differ by.
type spread struct {
	Nominal float64 `json:"nominal"`
	Mean    float64 `json:"mean"`
	SD      float64 `json:"sd"`
	P5      float64 `json:"p5"`
	P50     float64 `json:"p50"`
	P95     float64 `json:"p95"`
	P99     float64 `json:"p99"`
}

// contributed is how much of the leakage's relative spread one input makes by
// itself.
type contributed struct {
	Name  string  `json:"name"`
	RelSD float64 `json:"relative_sd"`
}

func newWindow() *cobra.Command {
	draws, seed, asJSON := 10_000, uint64(1), false
	c := &cobra.Command{
		Use:   "window DRAWING",
		Short: "Tell the leakage to expect of a window, from its drawing alone",
		Long: `Works out what share of the emitted power the window of a drawing sends into the
receiver, by which ways and from which distance it appears, and how much windows
within its tolerances differ, by random draws (JCGM 101). With [unit] in the
drawing, which tells what a zone makes of that light, the leakage in counts per
shot.

It is what to expect before there is a unit. The acceptance of a zone for stray
light is the weakest number: once units were measured, put the one that explains
them.`,
		Example: "  panecal limits propose window pane.toml\n  panecal limits propose window pane.toml --draws 100000 --seed 7 --json",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			if draws < 100 || draws > 10_000_000 {
				return cli.UsageError(fmt.Errorf("--draws %d: give 100 to 10000000", draws))
			}
			data, err := os.ReadFile(args[0])
			if err != nil {
				return fmt.Errorf("reading the drawing: %w", err)
			}
			d, err := readDrawing(filepath.Base(args[0]), data)
			if err != nil {
				return fmt.Errorf("the drawing cannot be used:\n%w", err)
			}
			a := d.expect(draws, seed)
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), a)
			}
			return a.writeText(c.OutOrStdout())
		},
	}
	c.Flags().IntVar(&draws, "draws", draws, "windows that are drawn")
	c.Flags().Uint64Var(&seed, "seed", seed, "of the draws")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

// expect draws windows.
func (d drawing) expect(draws int, seed uint64) expected {
	a := expected{Schema: proposalSchema, Label: "leakage expected from the window's drawing", Draws: draws, Seed: seed, Paths: []lightPath{}, Causes: []contributed{}}
	paths := d.window.Leakage()
	nominal, nominalMM := window.Total(paths)
	for _, p := range paths {
		a.Paths = append(a.Paths, lightPath{p.Face, p.GapTrips, p.PlateTrips, p.Fraction, p.DistanceMM()})
	}
	slices.SortStableFunc(a.Paths, func(x, y lightPath) int {
		switch {
		case x.Fraction > y.Fraction:
			return -1
		case x.Fraction < y.Fraction:
			return 1
		}
		return 0
	})
	r := rand.New(rand.NewPCG(seed, 0))
	w := window.NewDrawing(d.window, d.tolerances)
	fraction, distance, leakage := make([]float64, draws), make([]float64, draws), make([]float64, draws)
	for i := range fraction {
		fraction[i], distance[i] = w.Draw(r)
		leakage[i] = fraction[i] * d.perFraction * math.Max(0, 1+d.perFractionSD*r.NormFloat64())
	}
	a.Fraction, a.Distance = newSpread(nominal, fraction), newSpread(nominalMM, distance)
	if d.perFraction > 0 {
		s := newSpread(nominal*d.perFraction, leakage)
		a.Leakage = &s
	}
	a.causes(d, nominal)
	return a
}

// causes tells what each input by itself makes of the spread.
func (a *expected) causes(d drawing, nominal float64) {
	if nominal == 0 {
		return
	}
	add := func(name string, rel float64) {
		if rel > 0 {
			a.Causes = append(a.Causes, contributed{name, rel})
		}
	}
	t := d.tolerances
	for _, one := range []struct {
		name string
		of   window.Tolerances
	}{{"gap", window.Tolerances{GapMM: t.GapMM}}, {"thickness", window.Tolerances{ThicknessMM: t.ThicknessMM}}, {"tilt", window.Tolerances{TiltDeg: t.TiltDeg}},
		{"index", window.Tolerances{Index: t.Index}}, {"gasket", window.Tolerances{GasketMM: t.GasketMM}}} {
		if one.of == (window.Tolerances{}) {
			continue
		}
		move := func(sign float64) float64 {
			w := d.window
			w.GapMM += sign * min(one.of.GapMM, w.GapMM/2)
			w.Plate.ThicknessMM += sign * min(one.of.ThicknessMM, w.Plate.ThicknessMM/2)
			w.TiltDeg += sign * one.of.TiltDeg
			w.Plate.Index += sign * one.of.Index
			w.Plate.GroupIndex += sign * one.of.Index
			if w.GasketMM > 0 {
				w.GasketMM += sign * min(one.of.GasketMM, w.GasketMM/2)
			}
			f, _ := window.Total(w.Leakage())
			return f
		}
		add(one.name, math.Abs(move(1)-move(-1))/2/nominal)
	}
	for _, p := range a.Paths { // the sd of an exponential is its mean
		if p.Face == window.InnerScatter || p.Face == window.OuterScatter {
			add(string(p.Face), p.Fraction/nominal)
		}
	}
	add("unit", d.perFractionSD)
	slices.SortStableFunc(a.Causes, func(x, y contributed) int {
		switch {
		case x.RelSD > y.RelSD:
			return -1
		case x.RelSD < y.RelSD:
			return 1
		}
		return 0
	})
}

func newSpread(nominal float64, x []float64) spread {
	s := study.NewSample(x)
	sum := study.Summarize(s)
	at := func(p float64) float64 {
		q, err := study.NewPercentile(s, p, 8)
		if err != nil {
			return math.NaN() // the shares are ours
		}
		return float64(q.Value)
	}
	return spread{nominal, float64(sum.Mean), float64(sum.SD), at(0.05), at(0.5), at(0.95), at(0.99)}
}

func (a expected) writeText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "leakage expected from the window's drawing, %d windows drawn, seed %d\n", a.Draws, a.Seed)
	fmt.Fprintf(&b, "%-28s %10s %10s %10s %10s %10s %10s\n", "", "nominal", "mean", "sd", "5 %", "95 %", "99 %")
	row := func(name string, s spread) {
		fmt.Fprintf(&b, "%-28s %10.4g %10.4g %10.4g %10.4g %10.4g %10.4g\n", name, s.Nominal, s.Mean, s.SD, s.P5, s.P95, s.P99)
	}
	if a.Leakage != nil {
		row("leakage, {count}/{shot}", *a.Leakage)
	}
	row("share of emitted power", a.Fraction)
	row("apparent distance, mm", a.Distance)
	b.WriteString("\nways of the nominal window\n")
	for _, p := range a.Paths {
		fmt.Fprintf(&b, "  %-14s gap ×%d plate ×%d %12.4g at %.2f mm\n", p.Face, p.GapTrips, p.PlateTrips, p.Fraction, p.DistanceMM)
	}
	if len(a.Paths) == 0 {
		b.WriteString("  none: no light comes back\n")
	}
	b.WriteString("\nwhat makes windows differ, relative standard deviation each by itself\n")
	for _, c := range a.Causes {
		fmt.Fprintf(&b, "  %-14s %6.2f %%\n", c.Name, 100*c.RelSD)
	}
	_, err := io.WriteString(w, b.String())
	return err
}
