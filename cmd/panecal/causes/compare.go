package causes

import (
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
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/study"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station/cause"
	"example.org/panecal/station/figure"
	"example.org/panecal/store"
	"example.org/panecal/store/query"
)

const compareSchema = "panecal.compare/1"

// comparison is the answer of `panecal compare`.
type comparison struct {
	Schema     string        `json:"schema"`
	Serial     string        `json:"serial"`
	Attempt    int           `json:"attempt"`
	Sequence   uint64        `json:"sequence"`
	Time       time.Time     `json:"time"`
	Product    string        `json:"product"`
	From       time.Time     `json:"from"` // the population's time
	Until      time.Time     `json:"until"`
	Groups     []group       `json:"groups"`
	Quantities []standing    `json:"quantities"`
	Together   study.Outlier `json:"together"`
	Zones      zonesAgainst  `json:"zones"`

	words string
}

// group is the units of one lot, station, nest or week.
type group struct {
	By    string `json:"by"`
	Name  string `json:"name"`
	Units int    `json:"units"`
}

// standing is one quantity of the unit among the groups.
type standing struct {
	Name        string         `json:"name"`
	Unit        string         `json:"unit"`
	Value       query.Number   `json:"value"`
	Median      query.Number   `json:"median"`      // of all that passed
	Percentiles []study.Number `json:"percentiles"` // 0 to 1, one a group, type 8
	N           []int          `json:"n"`           // values in each
}

// zonesAgainst is the unit's zones over the population's medians.
type zonesAgainst struct {
	Attempts int            `json:"attempts"` // that the medians are of
	Rows     int            `json:"rows"`
	Cols     int            `json:"cols"`
	Leakage  []query.Number `json:"leakage"` // times the median
	Signal   []query.Number `json:"signal"`
}

const (
	mostTogether = 1000 // units that the distance is judged by
	mostZones    = 2000 // attempts that the median maps are made of
	usualZones   = 300
)

// NewCompare makes `panecal compare`; open opens the log that it reads.
func NewCompare(open func() (*store.Follower, error)) *cobra.Command {
	var choice desk.Choice
	number, zones, alarm, svg, asJSON := 0, usualZones, 1.0, false, false
	c := &cobra.Command{
		Use:   "compare SERIAL",
		Short: "Hold a unit against its population",
		Long: `Says where each quantity of one attempt stands among the other units of its
product: the percentile (type 8) within its lot, station, nest and week, and how
far the unit is from the population in all of them together.

The population is first attempts of production within two weeks before and after,
or what the flags choose; medians, distance and median maps go by those of them
that passed. The distance is robust, and judged against the population's own
units, each left out of what it is judged by, so that --alarm is the share of good
units told odd. It wants 99 units for 1 %. Quantities without spread, and those
too many for the units (five units a quantity), are named.

Zone maps are over the population's median maps, from --zones attempts at most.

` + desk.ChoiceHelp,
		Example: `  panecal compare H54-00012-V
  panecal compare H54-00012-V --attempt 1 --since 2026-10-01 --until 2026-11-01
  panecal compare H54-00012-V --json
  panecal compare H54-00012-V --svg > maps.html`,
		Args: cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			switch {
			case zones < 5 || zones > mostZones:
				return cli.UsageError(fmt.Errorf("--zones %d: give 5 to %d", zones, mostZones))
			case !(alarm > 0 && alarm < 100):
				return cli.UsageError(fmt.Errorf("--alarm %g: give a percentage between 0 and 100", alarm))
			case svg && asJSON:
				return cli.UsageError(errors.New("--svg and --json: give one of them"))
			}
			pick, err := choice.Filter()
			if err != nil {
				return err
			}
			log, err := open()
			if err != nil {
				return err
			}
			defer log.Close()
			a, err := compare(c.Context(), log, args[0], number, pick, zones, alarm/100)
			if err != nil {
				return damaged(err)
			}
			switch {
			case asJSON:
				return cli.PrintJSON(c.OutOrStdout(), a)
			case svg:
				_, err = fmt.Fprintln(c.OutOrStdout(), a.maps()[0].SVG()+"\n"+a.maps()[1].SVG())
				return err
			}
			return a.writeText(c.OutOrStdout())
		},
	}
	choice.AddTo(c)
	c.Flags().IntVar(&number, "attempt", 0, attemptHelp)
	c.Flags().IntVar(&zones, "zones", zones, "attempts that the median maps are made of, at most")
	c.Flags().Float64Var(&alarm, "alarm", alarm, "per cent of good units that may be told odd")
	c.Flags().BoolVar(&svg, "svg", false, "print the two zone maps as SVG elements")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

// damaged gives an error about a damaged log the exit code of one.
func damaged(err error) error {
	if errors.Is(err, store.ErrDamaged) {
		return &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("%w; `panecal log check` shows all of it", err)}
	}
	return err
}

// judged are the quantities that say something of a unit; the others are of the
// nest, of the attempt or follow from them.
func judged(n quantity.Name) bool {
	return !slices.Contains([]quantity.Name{quantity.Temperature, quantity.VerifyErrorFar}, n)
}

func compare(ctx context.Context, log *store.Follower, serial string, number int, pick store.Filter, zones int, alarm float64) (*comparison, error) {
	s, err := find(log, serial, number)
	if err != nil {
		return nil, err
	}
	return compareOf(ctx, s, pick, zones, alarm)
}

// compareOf holds an attempt against its population.
func compareOf(ctx context.Context, s *subject, pick store.Filter, zones int, alarm float64) (*comparison, error) {
	pick.First = true
	n, err := gather(ctx, s, pick)
	if err != nil {
		return nil, err
	}
	run := &s.attempt.Run
	a := &comparison{Schema: compareSchema, Serial: s.serial, Attempt: s.attempt.Run.AttemptNo, Sequence: s.entry.Ref.Sequence, Time: s.entry.Time, Product: run.Product.Name,
		From: n.from, Until: n.until, Groups: []group{}, Quantities: []standing{}, words: s.words()}
	year, week := s.entry.Time.UTC().ISOWeek()
	var lists [][]*neighbour
	for _, g := range []struct {
		by, name string
		in       func(*neighbour) bool
	}{
		{"lot", run.Lot, func(r *neighbour) bool { return run.Lot != "" && r.lot == run.Lot }},
		{"station", s.entry.Ref.Station, func(r *neighbour) bool { return r.station == s.entry.Ref.Station }},
		{"nest", run.Nest, func(r *neighbour) bool { return r.nest == run.Nest && r.station == s.entry.Ref.Station }},
		{"week", fmt.Sprintf("%d-W%02d", year, week), func(r *neighbour) bool { y, w := r.time.UTC().ISOWeek(); return y == year && w == week }},
	} {
		list := n.units(g.in)
		lists = append(lists, list)
		a.Groups = append(a.Groups, group{g.by, g.name, len(list)})
	}
	set := s.attempt.Set()
	good := n.good()
	var names []string
	var mine []float64
	var columns []int
	for q, name := range n.names {
		m, ok := set[name]
		if !ok || math.IsNaN(m.V) {
			continue
		}
		d, _ := quantity.Lookup(name)
		v := standing{Name: string(name), Unit: d.Unit, Value: query.Number(m.V), Median: query.Number(medianOf(column(good, q))), Percentiles: []study.Number{}, N: []int{}}
		for _, list := range lists {
			values := column(list, q)
			p := study.Number(math.NaN())
			if len(values) > 0 {
				p = study.RankOf(study.NewSample(values), m.V)
			}
			v.Percentiles, v.N = append(v.Percentiles, p), append(v.N, len(values))
		}
		a.Quantities = append(a.Quantities, v)
		if judged(name) {
			names, mine, columns = append(names, string(name)), append(mine, m.V), append(columns, q)
		}
	}
	rows := make([][]float64, 0, mostTogether)
	for _, r := range spreadOut(good, mostTogether) {
		row := make([]float64, len(columns))
		for i, q := range columns {
			row[i] = r.values[q]
		}
		rows = append(rows, row)
	}
	if a.Together, err = study.NewNeighbours(names, rows).Hold(mine, alarm); err != nil {
		return nil, err
	}
	return a, a.zonesOver(ctx, n, s, zones)
}

// zonesOver holds the zones against the population's median maps.
func (a *comparison) zonesOver(ctx context.Context, n *neighbours, s *subject, most int) error {
	list, err := n.evidences(ctx, s.log, most)
	if err != nil {
		return err
	}
	e := evidenceOf(s.attempt.Zones, s.attempt.Set())
	a.Zones = zonesAgainst{Rows: e.Rows, Cols: e.Cols, Leakage: []query.Number{}, Signal: []query.Number{}}
	p, err := cause.NewPopulation(append([]cause.Evidence{}, list...))
	if errors.Is(err, cause.ErrFew) {
		return nil
	}
	if err != nil {
		return err
	}
	a.Zones.Attempts = p.Units
	over := func(v, of []float64) []query.Number {
		out := []query.Number{}
		for z := range v {
			if z < len(of) {
				out = append(out, query.Number(v[z]/of[z]))
			}
		}
		return out
	}
	a.Zones.Leakage, a.Zones.Signal = over(e.Leakage, p.Leakage), over(e.Signal, p.Signal)
	return nil
}

// maps are the zone maps over the median maps.
func (a *comparison) maps() []figure.ZoneMap {
	of := func(name string, v []query.Number) figure.ZoneMap {
		m := figure.ZoneMap{Title: fmt.Sprintf("%s over the median of %d attempts", name, a.Zones.Attempts), Unit: "1", Rows: a.Zones.Rows, Cols: a.Zones.Cols}
		for _, x := range v {
			m.Values = append(m.Values, float64(x))
		}
		return m
	}
	return []figure.ZoneMap{of("leakage", a.Zones.Leakage), of("signal", a.Zones.Signal)}
}

func (a *comparison) writeText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n%s\n", visible.Text(a.Serial), visible.Text(a.words))
	fmt.Fprintf(&b, "held against first attempts of %s, %s to %s:\n", visible.Text(a.Product), day(a.From), day(a.Until))
	for _, g := range a.Groups {
		fmt.Fprintf(&b, "  %-8s %-24s %7d units\n", g.By, visible.Text(g.Name), g.Units)
	}
	fmt.Fprintf(&b, "\n%-21s %11s %11s  %s\n", "percentile in", "value", "median", "   lot station    nest    week")
	for _, q := range a.Quantities {
		fmt.Fprintf(&b, "%-21s %11s %11s  ", q.Name, short(float64(q.Value)), short(float64(q.Median)))
		for _, p := range q.Percentiles {
			if p.Defined() {
				fmt.Fprintf(&b, "%7.1f ", 100*float64(p))
			} else {
				fmt.Fprintf(&b, "%7s ", "-")
			}
		}
		b.WriteString("\n")
	}
	a.writeTogether(&b)
	if a.Zones.Attempts == 0 {
		b.WriteString("\nno median map: fewer than five units measured zones\n")
	} else if a.Zones.Rows*a.Zones.Cols > 1 {
		for _, m := range a.maps() {
			b.WriteString("\n" + m.Text(80))
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (a *comparison) writeTogether(b *strings.Builder) {
	t := &a.Together
	if !t.Distance.Defined() {
		fmt.Fprintf(b, "\nall together: no distance, from %d units\n", t.Units)
	} else {
		word := "not odd"
		if t.Odd {
			word = "ODD"
		}
		fmt.Fprintf(b, "\nall together: distance %.2f in %d quantities, as far as %.2g %% of %d that passed: %s\n(%.2g %% of good units would be told odd)\n",
			float64(t.Distance), len(t.Used), 100*float64(t.P), t.Units, word, 100*float64(t.FalseAlarm))
	}
	if t.Needs > 0 {
		fmt.Fprintf(b, "it wants %d units to call one odd at that rate, there are %d\n", t.Needs, t.Units)
	}
	for i, u := range t.Used {
		if i < 5 {
			fmt.Fprintf(b, "  %-21s %+6.1f standard deviations\n", u.Name, float64(u.Sigmas))
		}
	}
	for _, l := range []struct {
		why  string
		list []string
	}{{"without spread", t.NoSpread}, {"not known everywhere", t.Unknown}, {"too many for so few units", t.TooMany}} {
		if len(l.list) > 0 {
			b.WriteString(wrap(l.why+", left out: "+strings.Join(l.list, " "), 78))
		}
	}
}

// wrap breaks a text at spaces.
func wrap(s string, width int) string {
	var b strings.Builder
	at := 0
	for i, w := range strings.Fields(s) {
		switch {
		case i == 0:
		case at+1+len(w) > width:
			b.WriteString("\n  ")
			at = 2
		default:
			b.WriteString(" ")
			at++
		}
		b.WriteString(w)
		at += len(w)
	}
	return b.String() + "\n"
}

func day(t time.Time) string {
	if t.IsZero() {
		return "any time"
	}
	return t.UTC().Format(time.DateOnly)
}

// short is a number in few digits, - where there is none.
func short(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "-"
	}
	return fmt.Sprintf("%.4g", v)
}

func medianOf(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(v))
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}
