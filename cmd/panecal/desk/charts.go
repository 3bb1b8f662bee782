package desk

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/study"
	"example.org/panecal/limits/visible"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

const chartsSchema = "panecal.charts/1"

// charts is the answer of `panecal charts`.
type charts struct {
	Schema   string  `json:"schema"`
	Quantity string  `json:"quantity"`
	Unit     string  `json:"unit"`
	Kind     string  `json:"kind"`
	Charts   []curve `json:"charts"`
}

// curve is one chart: a check unit in a nest, or the difference of two units.
type curve struct {
	Serial  string      `json:"serial"`
	Against string      `json:"against,omitempty"`
	Nest    string      `json:"nest"`
	Base    int         `json:"base"` // values that the limits are made of, the first ones
	Times   []time.Time `json:"times"`
	Chart   study.Chart `json:"chart"`
}

// leastBase is from how many values limits may be made.
const leastBase = 5

// NewCharts makes `panecal charts`; open opens the log that it reads.
func NewCharts(open func() (*store.Follower, error)) *cobra.Command {
	var choice Choice
	kind, serial, against, base, asJSON := "individuals", "", "", 20, false
	kinds := study.ChartKinds()
	c := &cobra.Command{
		Use:   "charts QUANTITY",
		Short: "Chart what check units gave, nest by nest",
		Long: `Charts a quantity of the check units, each in each nest by itself, in the order of
its runs. The first values, --base of them, make centre line and standard
deviation (mean moving range over 1.128); limits are those of all others too.

  individuals  three standard deviations, and Nelson's tests 1 to 8
  ewma         weight 0.2, three standard deviations of the average
  cusum        k 0.5 and h 5 standard deviations

With --against the chart is of the differences of two check units, each value of
--serial with the value of the other that is nearest in time.

` + ChoiceHelp + `

Only check units count unless --purpose says another.`,
		Example: `  panecal charts offset.mean
  panecal charts offset.mean --nest C --kind cusum
  panecal charts offset.mean --serial H54-9900001-2 --against H54-9900002-0 --json`,
		Args: cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			d, ok := quantity.Lookup(quantity.Name(args[0]))
			switch {
			case !ok:
				return cli.Unknown("quantity", args[0], store.AllQuantities())
			case !slices.Contains(kinds, kind):
				return cli.UsageError(fmt.Errorf("--kind %q: want one of %v", kind, kinds))
			case base < leastBase:
				return cli.UsageError(fmt.Errorf("--base %d: give %d or more", base, leastBase))
			case against != "" && (serial == "" || serial == against):
				return cli.UsageError(errors.New("--against wants --serial, of another unit"))
			}
			f, err := choice.Filter()
			if err != nil {
				return err
			}
			f.Purpose = cmp.Or(f.Purpose, record.CheckUnit)
			log, err := open()
			if err != nil {
				return err
			}
			defer log.Close()
			runs, err := checkRuns(c.Context(), log, d, f)
			if errors.Is(err, store.ErrDamaged) {
				return &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("reading the attempts: %w; `panecal log check` shows all of it", err)}
			}
			if err != nil {
				return fmt.Errorf("reading the attempts: %w", err)
			}
			a := charts{Schema: chartsSchema, Quantity: string(d.Name), Unit: d.Unit, Kind: kind, Charts: []curve{}}
			for _, k := range sortedRuns(runs) {
				if serial != "" && k.serial != serial {
					continue
				}
				list := runs[k]
				if against != "" {
					list = study.Difference(list, runs[run{against, k.nest}])
				}
				if len(list) < leastBase {
					continue
				}
				v, err := chartOf(list, kind, base)
				if err != nil {
					return err
				}
				v.Serial, v.Against, v.Nest = k.serial, against, k.nest
				a.Charts = append(a.Charts, v)
			}
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), a)
			}
			return a.writeText(c.OutOrStdout())
		},
	}
	choice.AddTo(c)
	c.Flags().StringVar(&kind, "kind", kind, strings.Join(kinds, ", "))
	c.Flags().StringVar(&serial, "serial", "", "only this check unit")
	c.Flags().StringVar(&against, "against", "", "chart the difference to this other check unit")
	c.Flags().IntVar(&base, "base", base, "so many first values make the limits")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	complete(c, "kind", kinds)
	return c
}

// run is a check unit in a nest.
type run struct{ serial, nest string }

func sortedRuns(runs map[run][]study.Timed) []run {
	var list []run
	for k := range runs {
		list = append(list, k)
	}
	slices.SortFunc(list, func(a, b run) int { return cmp.Or(cmp.Compare(a.serial, b.serial), cmp.Compare(a.nest, b.nest)) })
	return list
}

func checkRuns(ctx context.Context, log *store.Follower, d quantity.Definition, f store.Filter) (map[run][]study.Timed, error) {
	runs := map[run][]study.Timed{}
	err := log.Attempts(f, []quantity.Name{d.Name}, func(r *store.Row) error {
		if v := r.Quantities[d.Column]; !math.IsNaN(v) && !math.IsInf(v, 0) {
			k := run{r.Serial, r.Nest}
			runs[k] = append(runs[k], study.Timed{At: r.Time, V: v})
		}
		return ctx.Err()
	})
	return runs, err
}

// chartOf charts values by the limits of the first ones.
func chartOf(list []study.Timed, kind string, base int) (v curve, err error) {
	for _, m := range list {
		v.Times = append(v.Times, m.At)
	}
	v.Base = min(base, len(list))
	v.Chart, err = study.OfCheckUnit(list, kind, base)
	return v, err
}

// mostPoints is how many points of a chart a text shows: the newest.
const mostPoints = 30

func (a charts) writeText(w io.Writer) error {
	var b strings.Builder
	if len(a.Charts) == 0 {
		fmt.Fprintf(&b, "no check unit chosen has %d values of %s in one nest\n", leastBase, a.Quantity)
	}
	for i, c := range a.Charts {
		if i > 0 {
			b.WriteString("\n")
		}
		name := visible.Text(c.Serial)
		if c.Against != "" {
			name += " less " + visible.Text(c.Against)
		}
		signals := 0
		for _, p := range c.Chart.Points {
			if len(p.Signals) > 0 {
				signals++
			}
		}
		fmt.Fprintf(&b, "%s of %s in nest %s: %s, %d values, %d with signals\ncentre %s, limits %s … %s %s, of the first %d\n", a.Quantity, name, visible.Text(c.Nest), a.Kind,
			len(c.Times), signals, numberWords(c.Chart.Center), numberWords(c.Chart.Lower), numberWords(c.Chart.Upper), a.Unit, c.Base)
		for i := max(0, len(c.Times)-mostPoints); i < len(c.Times); i++ {
			p := c.Chart.Points[i]
			fmt.Fprintf(&b, "%s %10.5g |%s| %s\n", c.Times[i].UTC().Format("2006-01-02 15:04"), float64(p.Value), spot(c.Chart, p, a.Kind), signalWords(p.Signals))
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// spot draws a point between the limits, which lie a third of the way in.
func spot(c study.Chart, p study.Point, kind string) string {
	const wide = 37
	line := []byte(strings.Repeat(" ", wide))
	v, low, high := p.Shown(kind), float64(c.Lower), float64(c.Upper)
	at := func(x float64) int {
		return int(math.Round((x-low)/(high-low)*(wide-1)*2/3 + (wide-1)/6.0))
	}
	if !(high > low) {
		return string(line)
	}
	line[at(low)], line[at((low+high)/2)], line[at(high)] = ':', '.', ':'
	line[min(wide-1, max(0, at(v)))] = '*'
	return string(line)
}

func signalWords(list []int) string {
	if len(list) == 0 {
		return ""
	}
	return "signal " + strings.Trim(fmt.Sprint(list), "[]")
}
