package desk

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/study"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

const capabilitySchema = "panecal.capability/1"

// capability is the answer of `panecal capability`.
type capability struct {
	Schema     string    `json:"schema"`
	Quantity   string    `json:"quantity"`
	Unit       string    `json:"unit"`
	Confidence float64   `json:"confidence"`
	Products   []capable `json:"products"`
}

// capable is one product.
type capable struct {
	Product string        `json:"product"`
	Limits  string        `json:"limits"` // revision that gave the specification limits: of the newest attempt chosen
	Lower   study.Number  `json:"lower"`
	Upper   study.Number  `json:"upper"`
	Groups  []capableOnes `json:"groups"`

	values []float64 // of all
}

// capableOnes are the attempts of one station, nest or lot, or all.
type capableOnes struct {
	By     string       `json:"by"` // "all", "station", "nest", "lot"
	Name   string       `json:"name"`
	N      int          `json:"n"`
	Mean   study.Number `json:"mean"`
	SD     study.Number `json:"sd"`
	U      study.Number `json:"u"`      // of one measurement, the part that varies from unit to unit
	Stable *bool        `json:"stable"` // null: too few to say
	Normal study.Number `json:"normal_p"`
	Index  string       `json:"index"` // the one to quote: cpk, ppk, or ppk by percentiles

	Measured    *study.Capability `json:"measured"` // of what was found
	Units       *study.Capability `json:"units"`    // without the measurement's own variance; null: nothing is left, or it is a largest zone
	Percentiles *study.Spread     `json:"percentiles"`
}

// NewCapability makes `panecal capability`; open opens the log that it reads.
func NewCapability(open func() (*store.Follower, error)) *cobra.Command {
	var choice Choice
	name, picture, confidence, asJSON := "", "", 0.95, false
	c := &cobra.Command{
		Use:   "capability QUANTITY",
		Short: "Tell whether the process is capable of a quantity's limits",
		Long: `Tells the indices Cp, Cpk, Pp and Ppk of a quantity over recorded attempts, with
confidence bounds, per product, and within it per station, nest and lot. The
specification limits are those that the newest of the attempts was held against.

A quantity with one limit has the index of that side only. Where the process does
not show itself stable, Ppk is the one to quote and not Cpk. Where its values are
not normal, the percentiles of ISO 22514-2 take the place of standard deviations.
measured is of what was found; units is without the part of the measurement's
variance that varies from unit to unit. Of a quantity with zones each attempt
gives its largest or smallest zone, which is high by itself: no variance is taken
out of it.

` + ChoiceHelp + `

Retests are left out unless --attempts all is given, and only production counts
unless --purpose says another.`,
		Example: `  panecal capability offset.mean
  panecal capability leakage.x_balance --nest B --since 2026-09-01 --svg balance.svg
  panecal capability pulse.width --product hopper-54 --json`,
		Args: cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			name = args[0]
			d, ok := quantity.Lookup(quantity.Name(name))
			if !ok {
				return cli.Unknown("quantity", string(name), store.AllQuantities())
			}
			if !(confidence > 0 && confidence < 1) {
				return cli.UsageError(fmt.Errorf("--confidence %g is not between 0 and 1", confidence))
			}
			f, err := choice.Filter()
			if err != nil {
				return err
			}
			f.Purpose = cmp.Or(f.Purpose, record.Production)
			log, err := open()
			if err != nil {
				return err
			}
			defer log.Close()
			a, err := capabilityOf(c.Context(), log, d, f, confidence)
			if errors.Is(err, store.ErrDamaged) {
				return &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("reading the attempts: %w; `panecal log check` shows all of it", err)}
			}
			if err != nil {
				return err
			}
			if picture != "" {
				if err := a.svg(picture); err != nil {
					return fmt.Errorf("drawing: %w", err)
				}
			}
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), a)
			}
			return a.writeText(c.OutOrStdout())
		},
	}
	choice.AddTo(c)
	choice.Prefer("first")
	c.Flags().Float64Var(&confidence, "confidence", confidence, "of the bounds")
	c.Flags().StringVar(&picture, "svg", "", "draw the distribution with its limits into this file")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

// found is the attempts of one product.
type found struct {
	values, u []float64
	group     [3][]string // station, nest, lot
	newest    place
	some      *Sample
}

// groupings are what attempts are told apart by.
func groupings() [3]string { return [3]string{"station", "nest", "lot"} }

// leastInGroup is from how many attempts on a group is told by itself.
const leastInGroup = 8

// recordsForParts is from how many records the parts of u are read.
const recordsForParts = 100

func capabilityOf(ctx context.Context, log *store.Follower, d quantity.Definition, f store.Filter, confidence float64) (*capability, error) {
	byProduct := map[string]*found{}
	var names []string
	err := log.Attempts(f, []quantity.Name{d.Name}, func(r *store.Row) error {
		if err := ctx.Err(); err != nil {
			return context.Cause(ctx)
		}
		v := r.Quantities[d.Column]
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil
		}
		p := byProduct[r.Product]
		if p == nil {
			p = &found{some: NewSample(recordsForParts)}
			byProduct[r.Product] = p
			names = append(names, r.Product)
		}
		p.values, p.u = append(p.values, v), append(p.u, r.Quantities[d.Column+1])
		for i, g := range []string{r.Station, r.Nest, r.Lot} {
			p.group[i] = append(p.group[i], g)
		}
		p.newest = place{r.Generation, r.Sequence, r.Station}
		p.some.Offer(r)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("reading the attempts: %w", err)
	}
	a := &capability{Schema: capabilitySchema, Quantity: string(d.Name), Unit: d.Unit, Confidence: confidence, Products: []capable{}}
	slices.Sort(names)
	for _, name := range names {
		p := byProduct[name]
		c := capable{Product: name, values: p.values}
		low, high, rev, err := specification(log, p.newest, d.Name)
		if err != nil {
			return nil, err
		}
		c.Limits, c.Lower, c.Upper = rev, study.Number(low), study.Number(high)
		common, err := p.common(log, d.Name)
		if err != nil {
			return nil, err
		}
		all := make([]int, len(p.values))
		for i := range all {
			all[i] = i
		}
		c.Groups = append(c.Groups, p.ones("all", "", all, d, common, low, high, confidence))
		for g, by := range groupings() {
			members := map[string][]int{}
			for i, label := range p.group[g] {
				if label != "" {
					members[label] = append(members[label], i)
				}
			}
			var labels []string
			for l := range members {
				labels = append(labels, l)
			}
			slices.Sort(labels)
			for _, l := range labels {
				if len(members[l]) >= leastInGroup {
					c.Groups = append(c.Groups, p.ones(by, l, members[l], d, common, low, high, confidence))
				}
			}
		}
		a.Products = append(a.Products, c)
	}
	return a, nil
}

// specification gives the limits that an attempt was held against, NaN where a
// side is open or the quantity has none.
func specification(log *store.Follower, at place, n quantity.Name) (low, high float64, rev string, err error) {
	low, high = math.NaN(), math.NaN()
	e, err := log.At(at.generation, at.sequence)
	if err != nil {
		return low, high, "", err
	}
	if a, ok := e.Body.(*record.Attempt); ok {
		rev = a.Run.Limits.Rev
		for _, l := range a.Judgement.Lines {
			if l.Name == n {
				low, high = l.Lower, l.Upper
			}
		}
	}
	return low, high, rev, nil
}

// common is the share of u² that is alike for a nest.
func (p *found) common(log *store.Follower, n quantity.Name) (float64, error) {
	units, err := p.some.Units(log)
	if err != nil {
		return 0, err
	}
	var part, whole float64
	for _, u := range units {
		if m, ok := u.Set[n]; ok && m.U > 0 {
			part, whole = part+m.Common*m.Common, whole+m.U*m.U
		}
	}
	if whole == 0 {
		return 0, nil
	}
	return min(1, part/whole), nil
}

// ones works the indices of some attempts out.
func (p *found) ones(by, name string, at []int, d quantity.Definition, common, low, high, confidence float64) capableOnes {
	x := make([]float64, len(at))
	own, told := 0.0, 0
	for i, k := range at {
		x[i] = p.values[k]
		if u := p.u[k]; !math.IsNaN(u) {
			own += u * u * (1 - common)
			told++
		}
	}
	s := study.NewSample(x)
	process := study.Sequence(s)
	o := capableOnes{By: by, Name: name, N: len(at), Mean: study.Number(process.Mean), SD: study.Number(process.Overall), U: study.Number(math.NaN()), Index: "cpk"}
	if stable, told := study.Stable(s); told {
		o.Stable = &stable
	}
	_, o.Normal = study.Normality(s)
	if o.Stable == nil || !*o.Stable {
		o.Index = "ppk"
	}
	if o.Normal.Defined() && o.Normal < 0.005 {
		o.Index = "ppk by percentiles"
	}
	c := process.Capability(low, high, confidence)
	o.Measured = &c
	spread := study.Percentiles(s, low, high, confidence)
	o.Percentiles = &spread
	if told == 0 || d.Zoned {
		return o
	}
	own /= float64(told)
	o.U = study.Number(math.Sqrt(own))
	less := process
	less.Within, less.Overall = without(process.Within, own), without(process.Overall, own)
	if less.Overall > 0 && less.Within > 0 {
		c := less.Capability(low, high, confidence)
		o.Units = &c
	}
	return o
}

// without takes a variance out of a standard deviation; 0 where nothing is left.
func without(sd, variance float64) float64 { return math.Sqrt(max(0, sd*sd-variance)) }
