package causes

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station/cause"
	"example.org/panecal/store"
	"example.org/panecal/store/query"
)

const schema = "panecal.cause/1"

// caveat stands under every answer.
const caveat = "What the causes look like is learnt from simulated units; no real case has been seen."

// answer is that of `panecal cause SERIAL`.
type answer struct {
	Schema     string    `json:"schema"`
	Serial     string    `json:"serial"`
	Attempt    int       `json:"attempt"`
	Sequence   uint64    `json:"sequence"`
	Time       time.Time `json:"time"`
	Product    string    `json:"product"`
	Population int       `json:"population"` // attempts that it is held against
	Causes     []ranked  `json:"causes"`     // the most probable first
	ToldApart  bool      `json:"told_apart"` // the first one is as probable as Sure
	Sure       float64   `json:"sure"`
	Next       *next     `json:"next"`
	Later      string    `json:"later,omitempty"`  // what the attempt after it showed
	Unknown    []string  `json:"unknown_findings"` // that took no part
	Caveat     string    `json:"caveat"`

	words string
}

type ranked struct {
	Code        cause.Code   `json:"code"`
	Text        string       `json:"text"`
	Probability float64      `json:"probability"`
	Prior       float64      `json:"prior"`
	Ratio       query.Number `json:"likelihood_ratio"` // against no fault, all findings together
	LogRatio    query.Number `json:"ln_likelihood_ratio"`
	For         []sign       `json:"for"`
	Against     []sign       `json:"against"`
}

type sign struct {
	Finding string       `json:"finding"`
	Value   query.Number `json:"value"` // difference to the population's median
	Unit    string       `json:"unit"`
	Sigmas  query.Number `json:"sigmas"`
	Ratio   query.Number `json:"likelihood_ratio"`
}

type next struct {
	Experiment string     `json:"experiment"`
	Action     string     `json:"action"`
	If         cause.Code `json:"if_it_comes_back"`
	Else       cause.Code `json:"if_it_stays"`
}

// usualNeighbours is how many attempts the population is made of.
const usualNeighbours = 200

// New makes `panecal cause`; open opens the log that it reads.
func New(open func() (*store.Follower, error)) *cobra.Command {
	var choice desk.Choice
	number, most, units, confusion, asJSON := 0, usualNeighbours, 260, false, false
	c := &cobra.Command{
		Use:   "cause SERIAL | --confusion",
		Short: "Rank what is probably wrong with a unit",
		Long: `Ranks what may be wrong with a unit, from what one attempt measured of it over the
median of its population: pattern and level of the leakage over the zones, signal,
ambient, pulse, changes, seat, check units of its nest that day. Each cause is
printed with the findings that speak for and against it, as likelihood ratios, and
with its probability. Where no cause reaches 0.7, the experiment that is expected
to tell most is named.

  dirt moisture gap tilt gasket absorption reflection emitter
  zones seat station constants none

Before anything is known, 0.7 is given to none and the rest to the others alike.
What causes look like is learnt from simulated units, by the optics of the window;
no real case has been seen. --confusion tries it on other simulated units, whose
scatter, pulse and departures it has not learnt: --units of them, half healthy.

The population is first attempts of production of other units that passed, within
two weeks before and after, or what the flags choose, at most --neighbours of them.

` + desk.ChoiceHelp,
		Example: `  panecal cause H54-00012-V
  panecal cause H54-00012-V --attempt 1 --json
  panecal cause --confusion`,
		Args: func(c *cobra.Command, args []string) error {
			switch {
			case confusion && len(args) > 0:
				return cli.UsageError(errors.New("--confusion takes no serial"))
			case !confusion && len(args) != 1:
				return cli.UsageError(errors.New("give one serial, or --confusion"))
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			table, err := cause.Default()
			if err != nil {
				return err
			}
			if confusion {
				if units < 26 {
					return cli.UsageError(fmt.Errorf("--units %d: give 26 or more", units))
				}
				t, err := tried(c.Context(), table, units, c.ErrOrStderr())
				switch {
				case err != nil:
					return err
				case asJSON:
					return cli.PrintJSON(c.OutOrStdout(), t)
				}
				return t.writeText(c.OutOrStdout())
			}
			if most < 20 || most > mostZones {
				return cli.UsageError(fmt.Errorf("--neighbours %d: give 20 to %d", most, mostZones))
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
			a, err := ask(c.Context(), log, args[0], number, pick, most, table)
			if err != nil {
				return damaged(err)
			}
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), a)
			}
			return a.writeText(c.OutOrStdout())
		},
	}
	choice.AddTo(c)
	c.Flags().IntVar(&number, "attempt", 0, attemptHelp)
	c.Flags().IntVar(&most, "neighbours", most, "attempts that the population is made of, at most")
	c.Flags().BoolVar(&confusion, "confusion", false, "try it on simulated units")
	c.Flags().IntVar(&units, "units", units, "with --confusion: so many")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

// ask ranks the causes of one attempt.
func ask(ctx context.Context, log *store.Follower, serial string, number int, pick store.Filter, most int, table *cause.Table) (*answer, error) {
	s, err := find(log, serial, number)
	if err != nil {
		return nil, err
	}
	return rank(ctx, s, pick, most, table)
}

// rank holds an attempt against its population and ranks its causes.
func rank(ctx context.Context, s *subject, pick store.Filter, most int, table *cause.Table) (*answer, error) {
	pick.First = true
	n, err := gather(ctx, s, pick)
	if err != nil {
		return nil, err
	}
	list, err := n.evidences(ctx, s.log, most)
	if err != nil {
		return nil, err
	}
	p, err := cause.NewPopulation(list)
	if errors.Is(err, cause.ErrFew) {
		return nil, fmt.Errorf("%d other units of %s passed from %s to %s: %w; widen it with --since and --until", len(list), s.attempt.Run.Product.Name, day(n.from), day(n.until), err)
	}
	if err != nil {
		return nil, err
	}
	e := evidenceOf(s.attempt.Zones, s.attempt.Set())
	e.ChecksMM = n.checks(s.attempt.Run.Nest, s.entry.Time)
	raw, err := s.capture("empty")
	if err != nil {
		return nil, err
	}
	if raw != nil {
		frames := make([][]uint32, len(raw.FrameTotals))
		for i, f := range raw.FrameTotals {
			frames[i] = f
		}
		e.Drift = driftOf(frames)
	}
	var later *cause.Evidence
	if s.later != nil {
		v := evidenceOf(s.later.Zones, s.later.Set())
		later = &v
	}
	a := &answer{Schema: schema, Serial: s.serial, Attempt: s.attempt.Run.AttemptNo, Sequence: s.entry.Ref.Sequence, Time: s.entry.Time, Product: s.attempt.Run.Product.Name,
		Population: p.Units, Causes: []ranked{}, Sure: cause.Sure, Unknown: []string{}, Caveat: caveat, words: s.words()}
	a.take(cause.Rank(&e, later, p, table))
	return a, nil
}

// take gives a ranking its JSON form.
func (a *answer) take(r cause.Ranking) {
	signs := func(list []cause.Sign) []sign {
		out := []sign{}
		for _, s := range list {
			out = append(out, sign{s.Finding.String(), query.Number(s.Value), s.Finding.Unit(), query.Number(s.Sigmas), query.Number(s.Ratio)})
		}
		return out
	}
	for _, c := range r.Causes {
		a.Causes = append(a.Causes, ranked{c.Code, c.Code.Text(), c.Probability, c.Prior, query.Number(math.Exp(c.LogRatio)), query.Number(c.LogRatio), signs(c.For), signs(c.Against)})
	}
	a.ToldApart = r.ToldApart
	for _, f := range r.Unknown {
		a.Unknown = append(a.Unknown, f.String())
	}
	switch r.Later {
	case cause.CameBack:
		a.Later = "the attempt after it came back to what the population is like"
	case cause.Stayed:
		a.Later = "the attempt after it was as far off"
	}
	if n := r.Next; n != nil {
		a.Next = &next{n.Name, n.Action, n.If, n.Else}
	}
}

// listed is how many causes and findings a text has.
const (
	leastProbable = 0.01
	mostSigns     = 4
)

func (a *answer) writeText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n%s\nheld against %d units of %s that passed\n\n", visible.Text(a.Serial), visible.Text(a.words), a.Population, visible.Text(a.Product))
	for i, c := range a.Causes {
		if i > 2 && c.Probability < leastProbable {
			continue
		}
		fmt.Fprintf(&b, "%6.1f %%  %-10s  %s\n", 100*c.Probability, c.Code, c.Text)
		fmt.Fprintf(&b, "          prior %.1f %%, likelihood ratio to no fault %s\n", 100*c.Prior, ratioWords(math.Exp(float64(c.LogRatio))))
		for _, l := range []struct {
			word string
			list []sign
		}{{"for", c.For}, {"against", c.Against}} {
			for k, s := range l.list {
				if k < mostSigns {
					fmt.Fprintf(&b, "          %-7s %-35s %+6.1f sd  ratio %s\n", l.word, s.Finding, float64(s.Sigmas), ratioWords(float64(s.Ratio)))
				}
			}
		}
	}
	if a.Later != "" {
		fmt.Fprintf(&b, "\nBesides: %s.\n", a.Later)
	}
	switch {
	case a.ToldApart:
		fmt.Fprintf(&b, "\nTold apart: %s.\n", a.Causes[0].Code)
	case a.Next != nil:
		fmt.Fprintf(&b, "\nNot told apart. Next: %s\n", a.Next.Action)
		fmt.Fprintf(&b, "If the unit comes back to what others are like: %s. If it stays: %s.\n", a.Next.If, a.Next.Else)
	default:
		b.WriteString("\nNot told apart, and nothing is far enough off for an experiment to show more.\n")
	}
	if len(a.Unknown) > 0 {
		b.WriteString("\n" + wrap("Not known, took no part: "+strings.Join(a.Unknown, "; ")+".", 78))
	}
	fmt.Fprintf(&b, "\nsd: standard deviations of the population. A ratio is of that finding alone,\nagainst no fault (of none: against the best fault).\n%s\n", caveat)
	_, err := io.WriteString(w, b.String())
	return err
}

// ratioWords is a likelihood ratio in few characters.
func ratioWords(v float64) string {
	switch {
	case v >= 1e6:
		return "above 1e6"
	case v <= 1e-6:
		return "below 1e-6"
	case v >= 100:
		return fmt.Sprintf("%.0f", v)
	}
	return fmt.Sprintf("%.2g", v)
}
