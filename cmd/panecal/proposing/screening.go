package proposing

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/cmd/panecal/files"
	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/study"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

const screeningLabel = "screening limits"

// screening is the answer of `limits propose screening`.
type screening struct {
	Schema     string     `json:"schema"`
	Label      string     `json:"label"` // screeningLabel
	Product    string     `json:"product"`
	Revision   string     `json:"revision"` // of the file whose sides and bins it has
	Attempts   int        `json:"attempts"`
	Method     string     `json:"method"`
	Coverage   float64    `json:"coverage"`
	Confidence float64    `json:"confidence"`
	Multiplier float64    `json:"multiplier"`
	Quantities []screened `json:"quantities"`
	File       string     `json:"file,omitempty"` // that was written
}

// screened is one quantity. Its bounds are of what the station compares, value
// + k·u above and value − k·u below, of a quantity with zones the outermost zone.
type screened struct {
	Quantity string    `json:"quantity"`
	Unit     string    `json:"unit"`
	K        float64   `json:"k"`
	Low      *screener `json:"low"`
	High     *screener `json:"high"`
	Left     string    `json:"left,omitempty"` // why its limits stay

	typical, typicalU, typicalSD, typicalZone *float64
}

// screener is one side.
type screener struct {
	study.Screening
	Before   float64      `json:"before"`
	Proposed study.Number `json:"proposed"` // null: stays
}

var methods = []string{"free", "normal", "percentile", "robust"}

// bound is the one that a method gives.
func bound(s study.Screening, method string) study.Number {
	switch method {
	case "normal":
		return s.Normal
	case "percentile":
		return s.Percentile
	case "robust":
		return s.Robust
	}
	return s.Free
}

func newScreening(open func() (*store.Follower, error)) *cobra.Command {
	var choice desk.Choice
	var only []string
	o := study.ScreeningOptions{Coverage: 0.99, Confidence: 0.95, Multiplier: 4}
	method, out, asJSON := "free", "", false
	c := &cobra.Command{
		Use:   "screening FILE",
		Short: "Propose screening limits from recorded attempts",
		Long: `Works out, for each limit of FILE, where recorded attempts of its product suggest
that it lies, by four methods:

  free        tolerance bound without a distribution: with --confidence, the
              share --coverage of units lies inside
  normal      the same for a normal population
  percentile  the share --coverage of the attempts themselves, no confidence
  robust      --multiplier robust standard deviations from the median

These are screening limits. They tell which units are unusual, and nothing of what
the product needs; limits propose requirement does. Each bound is of what the
station compares, value + k·u or value − k·u with the guard factor of FILE, and of
a quantity with zones the outermost zone: a unit counts once.

--out writes FILE anew with the bounds of --method in the place of its limits, each
rounded outwards, and with typical values from the middle of the data; those of
zones from 300 records. A quantity with too few values keeps its limits, and the
answer says why.

` + desk.ChoiceHelp + `

Retests are left out unless --attempts all is given, and what was not production
unless --purpose says another.`,
		Example: `  panecal limits propose screening hopper-54.limits.toml --since 2026-09-01
  panecal limits propose screening hopper-54.limits.toml --method normal --quantity leakage.max --out next.limits.toml
  panecal limits propose screening hopper-54.limits.toml --coverage 0.999 --json`,
		Args: cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			if !slices.Contains(methods, method) {
				return cli.UsageError(fmt.Errorf("--method %q: want one of %s", method, strings.Join(methods, ", ")))
			}
			if !(o.Coverage > 0 && o.Coverage < 1) || !(o.Confidence > 0 && o.Confidence < 1) || !(o.Multiplier > 0) {
				return cli.UsageError(errors.New("--coverage and --confidence are shares between 0 and 1, --multiplier is above 0"))
			}
			data, err := os.ReadFile(args[0])
			if err != nil {
				return fmt.Errorf("reading the limits file: %w", err)
			}
			f, err := limits.Read(filepath.Base(args[0]), data)
			if err != nil {
				return fmt.Errorf("the limits file cannot be used:\n%w", err)
			}
			for _, name := range only {
				if !slices.ContainsFunc(f.Limits, func(l limits.Limit) bool { return string(l.Name) == name }) {
					return cli.UsageError(fmt.Errorf("--quantity %s: the file has no limit for it; add [limit.%q] with its bins first", name, name))
				}
			}
			pick, err := choice.Filter()
			if err != nil {
				return err
			}
			if pick.Product != "" && pick.Product != f.Product {
				return cli.UsageError(fmt.Errorf("--product %s, and the limits are for %s", pick.Product, f.Product))
			}
			pick.Product, pick.Purpose = f.Product, cmp.Or(pick.Purpose, record.Production)
			log, err := open()
			if err != nil {
				return err
			}
			defer log.Close()
			a := screening{Schema: proposalSchema, Label: screeningLabel, Product: f.Product, Revision: f.Revision, Method: method,
				Coverage: o.Coverage, Confidence: o.Confidence, Multiplier: o.Multiplier, Quantities: []screened{}}
			if err := a.screen(c.Context(), log, pick, f, only, o); errors.Is(err, store.ErrDamaged) {
				return &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("reading the attempts: %w; `panecal log check` shows all of it", err)}
			} else if err != nil {
				return fmt.Errorf("reading the attempts: %w", err)
			}
			if out != "" {
				text, err := edit(filepath.Base(args[0]), data, a.head(), a.changes())
				if err != nil {
					return err
				}
				if err := files.WriteNew(out, text); err != nil {
					return err
				}
				a.File = out
			}
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), a)
			}
			return a.writeText(c.OutOrStdout())
		},
	}
	choice.AddTo(c)
	choice.Prefer("first")
	fl := c.Flags()
	fl.StringVar(&method, "method", method, strings.Join(methods, ", "))
	fl.StringArrayVar(&only, "quantity", nil, "only this quantity (repeat for more)")
	fl.Float64Var(&o.Coverage, "coverage", o.Coverage, "share of the units that lies inside")
	fl.Float64Var(&o.Confidence, "confidence", o.Confidence, "of the tolerance bounds")
	fl.Float64Var(&o.Multiplier, "multiplier", o.Multiplier, "robust standard deviations from the median")
	fl.StringVar(&out, "out", "", "write a limits file; it must not exist")
	fl.BoolVar(&asJSON, "json", false, "print one JSON object")
	if err := c.RegisterFlagCompletionFunc("method", cobra.FixedCompletions(methods, cobra.ShellCompDirectiveNoFileComp)); err != nil {
		panic(err) // the flag was added before
	}
	return c
}

// screen reads the attempts and works every limit out.
func (a *screening) screen(ctx context.Context, log *store.Follower, pick store.Filter, f *limits.File, only []string, o study.ScreeningOptions) error {
	type column struct{ high, low, value, u []float64 }
	all := make([]column, len(f.Limits))
	names := make([]quantity.Name, len(f.Limits))
	for i, l := range f.Limits {
		names[i] = l.Name
	}
	add := func(to *[]float64, v float64) {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			*to = append(*to, v)
		}
	}
	some := desk.NewSample(recordsForZones)
	err := log.Attempts(pick, names, func(r *store.Row) error {
		a.Attempts++
		some.Offer(r)
		for i, l := range f.Limits {
			high, low, ok := compared(l, r.Quantities)
			if !ok {
				continue
			}
			add(&all[i].high, high)
			add(&all[i].low, low)
			add(&all[i].value, r.Quantities[l.Column])
			add(&all[i].u, r.Quantities[l.Column+1])
		}
		return ctx.Err()
	})
	if err != nil {
		return err
	}
	units, err := some.Units(log)
	if err != nil {
		return err
	}
	for i, l := range f.Limits {
		if len(only) > 0 && !slices.Contains(only, string(l.Name)) {
			continue
		}
		q := screened{Quantity: string(l.Name), Unit: l.Unit, K: l.K}
		o.Sides = 1
		if l.Low != nil && l.High != nil {
			o.Sides = 2
		}
		side := func(values []float64, before *float64, upper bool) (*screener, error) {
			if before == nil || len(values) < 2 {
				return nil, nil
			}
			s, err := study.Screen(study.NewSample(values), upper, o)
			if err != nil {
				return nil, err
			}
			return &screener{Screening: s, Before: *before, Proposed: study.Number(outward(float64(bound(s, a.Method)), upper))}, nil
		}
		var errs [2]error
		q.Low, errs[0] = side(all[i].low, l.Low, false)
		q.High, errs[1] = side(all[i].high, l.High, true)
		if err := errors.Join(errs[:]...); err != nil {
			return err
		}
		if q.Left = left(l, q); q.Left == "" {
			if err := errors.Join(q.usual(l, all[i].value, all[i].u, o), q.usualZones(l, units, o)); err != nil {
				return err
			}
		}
		a.Quantities = append(a.Quantities, q)
	}
	return nil
}

// compared is what a station holds against the upper and the lower limit; false
// where a row does not keep it.
func compared(l limits.Limit, r quantity.Row) (high, low float64, ok bool) {
	if !l.Zoned {
		v, band := r[l.Column], 0.0
		if l.K != 0 { // without a guard band a quantity may lack its u
			band = l.K * r[l.Column+1]
		}
		return v + band, v - band, true
	}
	k := int(l.K)
	if float64(k) != l.K || k < 0 || k >= quantity.Guards {
		return 0, 0, false
	}
	return r[l.Column+2+k], r[l.Column+2+quantity.Guards+k], true
}

// recordsForZones is from how many records the typical values of zones are taken.
const recordsForZones = 300

// usual takes typical values from the middle of the data; those of zones are not
// in rows.
func (q *screened) usual(l limits.Limit, values, u []float64, o study.ScreeningOptions) error {
	if l.Zoned || l.Typical == nil || len(values) < 2 {
		return nil
	}
	s, err := study.Screen(study.NewSample(values), true, o)
	if err != nil {
		return err
	}
	round := func(v study.Number) *float64 { x := outward(float64(v), true); return &x }
	q.typical = round(s.Median)
	if l.TypicalSD != nil {
		q.typicalSD = round(s.RobustSD)
	}
	if l.TypicalU != nil && len(u) > 0 {
		q.typicalU = round(study.Summarize(study.NewSample(u)).Median)
	}
	return nil
}

// left says why a limit stays as it is, "" where it does not.
func left(l limits.Limit, q screened) string {
	if _, _, ok := compared(l, make(quantity.Row, quantity.Columns)); !ok {
		return fmt.Sprintf("the log keeps zones for guard factors 0 to %d, not %v", quantity.Guards-1, l.K)
	}
	if q.Low == nil && q.High == nil {
		return "it was not measured"
	}
	for _, s := range []*screener{q.Low, q.High} {
		if s != nil && !s.Proposed.Defined() {
			return fmt.Sprintf("%d values are too few: it takes %d", s.N, s.FreeWants)
		}
	}
	if q.Low != nil && q.High != nil && q.Low.Proposed > q.High.Proposed {
		return "its bounds would cross"
	}
	return ""
}

// head says in the file what it is.
func (a screening) head() []string {
	how := map[string]string{
		"free":       fmt.Sprintf("tolerance bounds without a distribution, coverage %v, confidence %v", a.Coverage, a.Confidence),
		"normal":     fmt.Sprintf("tolerance bounds of a normal population, coverage %v, confidence %v", a.Coverage, a.Confidence),
		"percentile": fmt.Sprintf("percentiles, %v of the attempts inside", a.Coverage),
		"robust":     fmt.Sprintf("median and %v robust standard deviations", a.Multiplier),
	}[a.Method]
	return []string{fmt.Sprintf("Screening limits from %d attempts: %s.", a.Attempts, how),
		"They tell which units are unusual, and nothing of what the product needs."}
}

func (a screening) changes() (all []change) {
	for _, q := range a.Quantities {
		if q.Left != "" {
			continue
		}
		if q.Low != nil {
			all = append(all, change{q.Quantity, "low", float64(q.Low.Proposed)})
		}
		if q.High != nil {
			all = append(all, change{q.Quantity, "high", float64(q.High.Proposed)})
		}
		for key, v := range map[string]*float64{"typical": q.typical, "typical_u": q.typicalU, "typical_sd": q.typicalSD, "typical_zone_sd": q.typicalZone} {
			if v != nil {
				all = append(all, change{q.Quantity, key, *v})
			}
		}
	}
	return all
}

func (a screening) writeText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "screening limits for %s from %d attempts, method %s; they say nothing of what the product needs\n", a.Product, a.Attempts, a.Method)
	fmt.Fprintf(&b, "%-22s %-4s %6s %9s %9s %9s %9s %9s\n", "", "", "n", "before", "free", "normal", "percent.", "robust")
	number := func(v study.Number) string {
		if !v.Defined() {
			return "-"
		}
		return fmt.Sprintf("%.4g", float64(v))
	}
	for _, q := range a.Quantities {
		for _, s := range []struct {
			name string
			of   *screener
		}{{"low", q.Low}, {"high", q.High}} {
			if s.of != nil {
				fmt.Fprintf(&b, "%-22s %-4s %6d %9.4g %9s %9s %9s %9s\n", q.Quantity, s.name, s.of.N, s.of.Before, number(s.of.Free), number(s.of.Normal), number(s.of.Percentile), number(s.of.Robust))
			}
		}
		if q.Left != "" {
			fmt.Fprintf(&b, "%-22s stays: %s\n", q.Quantity, q.Left)
		}
	}
	if a.File != "" {
		fmt.Fprintf(&b, "written: %s\n", a.File)
	}
	_, err := io.WriteString(w, b.String())
	return err
}
