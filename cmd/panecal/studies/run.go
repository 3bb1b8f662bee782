package studies

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/study"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station"
	"example.org/panecal/station/batch"
	"example.org/panecal/station/label"
	"example.org/panecal/station/shift"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Opening says which station a study needs.
type Opening struct {
	Study   string   // name, on record as the work order of its trials
	Label   string   // of one of the parts: it decides the product
	Ports   []string // units that stay at ports of their own; nil: nests of the sheet
	Nests   []string // of the sheet; nil with Ports: all
	Persons []string // who will measure
}

// Bench is a station that is open for trials. Run closes it.
type Bench struct {
	Nests    []string // in the order of batch.Options.Queues
	Files    func(text string) (*station.Files, label.Label, error)
	Station  shift.Station
	Log      past
	StoredAt string
	Run      func(c *cobra.Command, o batch.Options, show func(station.Verdict) error) error
	Close    func() error
}

// OpenBench opens the station.
type OpenBench func(c *cobra.Command, o Opening) (*Bench, error)

// runFlags are what a study that begins is told.
type runFlags struct {
	labels, nests, persons []string
	list, appraiser        string
	plan                   plan
}

// newRun makes `panecal study run`.
func newRun(open OpenBench) *cobra.Command {
	f := runFlags{appraiser: byNest}
	asJSON := false
	c := &cobra.Command{
		Use:   "run NAME --part LABEL --part LABEL",
		Short: "Measure a gauge study at the station, trial by trial",
		Long: `Leads a crossed gauge study at this station: every appraiser measures every part
--trials times. It says which part to seat where and by whom, measures, and goes
on. In each round every appraiser has every part once, in an order drawn from
--seed. Each trial is a seating of its own: the part is taken out and put back, also
where it comes twice in a row. Nothing is written into the parts.

An appraiser is a nest (--nest, all of the sheet if none is named), a person
(--person) or, with --appraiser station, this station alone: the trials of several
stations are joined afterwards (study trials).

The plan and each trial are on record. A study that was cut off goes on where it
was with the same command, or with its NAME alone. A trial without a value of
--quantity is measured again. At the end the result is printed and put on record:
one panecal.study/1 object of kind gauge with --json. study trials prints the table
for any other quantity.

--list FILE takes {"port":…,"label":…} lines as panecal sim prints them, for parts
that stay at ports of their own.`,
		Example: `  panecal study run nests-w48 --part H54-00001-O --part H54-00002-M --trials 3
  panecal study run people-w48 --appraiser person --person 4711 --person 4712 --nest A --part H54-00001-O --part H54-00002-M
  panecal study run nests-w48                           go on with it`,
		Args: cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error { return f.run(c, open, args[0], asJSON) },
	}
	fl := c.Flags()
	fl.StringArrayVar(&f.labels, "part", nil, "label of a part (repeat for more)")
	fl.StringVar(&f.list, "list", "", "file of {\"port\":…,\"label\":…} lines: parts at ports of their own")
	fl.StringVar(&f.appraiser, "appraiser", f.appraiser, "nest, person or station")
	fl.StringArrayVar(&f.nests, "nest", nil, "a nest that is used (repeat for more)")
	fl.StringArrayVar(&f.persons, "person", nil, "who measures (repeat for more)")
	fl.IntVar(&f.plan.Trials, "trials", 3, "how often every appraiser measures every part")
	fl.Uint64Var(&f.plan.Seed, "seed", 1, "of the order")
	fl.StringVar(&f.plan.Quantity, "quantity", string(quantity.OffsetMean), "quantity of the result")
	fl.BoolVar(&asJSON, "json", false, "print the result as one JSON object")
	if err := c.RegisterFlagCompletionFunc("appraiser", cobra.FixedCompletions([]string{byNest, byPerson, byStation}, cobra.ShellCompDirectiveNoFileComp)); err != nil {
		panic(err) // the flag was added before
	}
	return c
}

func (f runFlags) run(c *cobra.Command, open OpenBench, name string, asJSON bool) error {
	if _, ok := quantity.Lookup(quantity.Name(f.plan.Quantity)); !ok {
		return cli.Unknown("quantity", string(f.plan.Quantity), store.AllQuantities())
	}
	var listed []batch.Pair
	if f.list != "" {
		if len(f.labels) > 0 || len(f.nests) > 0 {
			return cli.UsageError(errors.New("--list names parts and their ports: leave --part and --nest out"))
		}
		var err error
		if listed, err = batch.ReadPairs(f.list, c.InOrStdin()); err != nil {
			return err
		}
	}
	o := Opening{Study: name, Nests: f.nests, Persons: f.persons}
	for _, p := range listed {
		o.Ports, f.labels = append(o.Ports, p.Port), append(f.labels, p.Label)
	}
	if len(f.labels) > 0 {
		o.Label = f.labels[0]
	}
	b, err := open(c, o)
	if err != nil {
		return err
	}
	g, err := f.ready(c, b, name)
	if err != nil {
		return errors.Join(err, b.Close())
	}
	if err := g.measure(c, f); err != nil {
		return err
	}
	return g.tell(c, asJSON)
}

// guide leads one study.
type guide struct {
	name      string
	plan      plan
	bench     *Bench
	left      []trial
	concluded bool         // the result is on record
	failed    error        // of a hook
	result    *study.Gauge // nil until the last trial
	why       error        // why there is none
}

// ready finds the plan, or puts it on record.
func (f runFlags) ready(c *cobra.Command, b *Bench, name string) (*guide, error) {
	p, concluded, err := findPlan(b.Log, name)
	switch {
	case errors.Is(err, errNoStudy):
		if p, err = f.newPlan(b); err != nil {
			return nil, err
		}
		text, err := json.Marshal(p)
		if err != nil {
			return nil, err
		}
		if _, err := b.Station.Append(&record.Study{Name: name, Plan: string(text)}); err != nil {
			return nil, fmt.Errorf("recording the plan: %w", err)
		}
	case err != nil:
		return nil, err
	case !f.agrees(c, p):
		return nil, cli.UsageError(fmt.Errorf("the study %s was begun with another plan: give its name alone to go on with it, or another name", name))
	}
	g := &guide{name: name, plan: p, bench: b, concluded: concluded}
	entries, err := attemptsOf(b.Log, p)
	if err != nil {
		return nil, err
	}
	have := p.match(name, entries)
	if g.left = p.left(have); len(have) > 0 {
		fmt.Fprintf(c.ErrOrStderr(), "panecal: study %s: %d of %d trials are on record\n", visible.Text(name), len(have), len(p.order()))
	}
	return g, nil
}

// agrees tells whether the flags that were given say what the plan says.
func (f runFlags) agrees(c *cobra.Command, p plan) bool {
	for flag, same := range map[string]bool{
		"part": slices.Equal(f.labels, p.Labels), "appraiser": f.appraiser == p.Appraiser, "trials": f.plan.Trials == p.Trials, "seed": f.plan.Seed == p.Seed,
		"quantity": f.plan.Quantity == p.Quantity, "person": slices.Equal(f.persons, p.Appraisers),
		"nest": slices.Equal(f.nests, p.Appraisers) || len(f.nests) > 0 && f.nests[0] == p.Nest,
	} {
		if c.Flags().Changed(flag) && !same {
			return false
		}
	}
	return true
}

func (f runFlags) newPlan(b *Bench) (plan, error) {
	p := f.plan
	p.Appraiser, p.Labels = f.appraiser, f.labels
	if len(p.Labels) < 2 {
		return p, cli.UsageError(errors.New("a gauge study needs two parts or more: give --part for each, or --list"))
	}
	if p.Trials < 2 || p.Trials > 100 {
		return p, cli.UsageError(fmt.Errorf("--trials %d: give 2 to 100", p.Trials))
	}
	for _, text := range p.Labels {
		_, l, err := b.Files(text)
		if err != nil {
			return p, cli.UsageError(fmt.Errorf("--part %s: %w", text, err))
		}
		if slices.Contains(p.Parts, l.Serial) {
			return p, cli.UsageError(fmt.Errorf("--part %s is given twice", text))
		}
		p.Parts = append(p.Parts, l.Serial)
	}
	switch f.appraiser {
	case byNest:
		if f.list != "" {
			return p, cli.UsageError(errors.New("parts at ports of their own have no nests to compare: --appraiser person or station"))
		}
		p.Appraisers = b.Nests
	case byPerson:
		p.Appraisers = f.persons
	case byStation:
		p.Appraisers = []string{b.StoredAt}
	default:
		return p, cli.UsageError(fmt.Errorf("--appraiser %q: want nest, person or station", f.appraiser))
	}
	if f.appraiser != byStation && len(p.Appraisers) < 2 {
		return p, cli.UsageError(fmt.Errorf("a gauge study needs two appraisers or more: two nests, or --person twice with --appraiser person"))
	}
	if f.appraiser != byNest && f.list == "" {
		p.Nest = b.Nests[0]
	}
	if (len(f.persons) > 0) != (f.appraiser == byPerson) {
		return p, cli.UsageError(errors.New("--person goes with --appraiser person"))
	}
	return p, nil
}

// place is the queue of a trial.
func (g *guide) place(f runFlags, t trial) (nest int, err error) {
	p := g.plan
	switch {
	case f.list != "":
		if nest = slices.Index(f.labels, p.Labels[t.part]); nest < 0 {
			err = cli.UsageError(fmt.Errorf("--list has no part %s", p.Labels[t.part]))
		}
	case p.Appraiser == byNest:
		if nest = slices.Index(g.bench.Nests, p.Appraisers[t.appraiser]); nest < 0 {
			err = cli.UsageError(fmt.Errorf("nest %s is not used or not in the station sheet any more", p.Appraisers[t.appraiser]))
		}
	default:
		if nest = slices.Index(g.bench.Nests, p.Nest); nest < 0 {
			err = cli.UsageError(errors.New("the study's parts stay at ports of their own: give --list again"))
		}
	}
	return nest, err
}

// measure does what is left, and closes the station.
func (g *guide) measure(c *cobra.Command, f runFlags) error {
	b, p := g.bench, g.plan
	o := batch.Options{Queues: make([][]string, len(b.Nests)), Again: true}
	for _, t := range g.left {
		nest, err := g.place(f, t)
		if err != nil {
			return errors.Join(err, b.Close())
		}
		o.Queues[nest] = append(o.Queues[nest], p.Labels[t.part])
		o.Order = append(o.Order, nest)
	}
	if len(g.left) == 0 {
		g.conclude()
		return errors.Join(g.failed, b.Close())
	}
	if p.Appraiser != byPerson {
		o.Operator = shift.Unknown
	}
	all := len(p.order())
	signed := ""
	sign := func(person string) {
		if person == signed {
			return
		}
		if signed != "" {
			g.failed = errors.Join(g.failed, shift.SignOn(b.Station, signed, "command line", true, nil))
		}
		g.failed = errors.Join(g.failed, shift.SignOn(b.Station, person, "command line", false, nil))
		b.Station.Crew(station.Crew{Operator: person, WorkOrder: g.name})
		signed = person
	}
	o.Begin = func(n int) {
		t := g.left[n]
		who := ""
		if p.Appraiser == byPerson {
			who = " by " + p.Appraisers[t.appraiser]
			sign(p.Appraisers[t.appraiser])
		}
		where := " in nest " + b.Nests[o.Order[n]]
		fmt.Fprintf(c.ErrOrStderr(), "panecal: trial %d of %d: seat %s%s%s\n", all-len(g.left)+n+1, all, visible.Text(p.Labels[t.part]), visible.Text(where), visible.Text(who))
	}
	last := len(g.left)
	err := b.Run(c, o, func(v station.Verdict) error {
		if v.Again { // of before
			return nil
		}
		last--
		fmt.Fprintf(c.ErrOrStderr(), "panecal: %s in nest %s: %s, record %d\n", visible.Text(v.Serial), visible.Text(v.Nest), v.Outcome, v.Sequence)
		if last == 0 {
			if signed != "" {
				g.failed = errors.Join(g.failed, shift.SignOn(b.Station, signed, "command line", true, nil))
			}
			g.conclude()
		}
		return g.failed
	})
	if quiet := (&cli.QuietError{}); errors.As(err, &quiet) && quiet.Code == cli.ExitFailed {
		err = nil // a part that fails its limits is a part all the same
	}
	return err
}

// conclude works the result out and puts it on record, once every trial has its
// value.
func (g *guide) conclude() {
	entries, err := attemptsOf(g.bench.Log, g.plan)
	if err != nil {
		g.failed = errors.Join(g.failed, err)
		return
	}
	have := g.plan.match(g.name, entries)
	if left := len(g.plan.left(have)); left > 0 {
		g.why = fmt.Errorf("%d trials have no %s: measure them with `panecal study run %s`", left, g.plan.Quantity, visible.Text(g.name))
		return
	}
	lower, upper := g.limits()
	var parts, appraisers []string
	var x []float64
	s := &record.Study{Name: g.name, Passed: true, Text: "gauge " + g.plan.Quantity}
	for _, d := range have {
		parts, appraisers, x = append(parts, g.plan.Parts[d.part]), append(appraisers, g.plan.Appraisers[d.appraiser]), append(x, d.value.V)
		s.Attempts = append(s.Attempts, d.entry.Ref)
	}
	if g.plan.Appraiser == byStation {
		g.why = fmt.Errorf("every trial of this station is on record: join the tables of all stations (`panecal study trials %s`) and ask `panecal study gauge`", visible.Text(g.name))
	} else {
		r, err := study.NewGauge(parts, appraisers, study.NewSample(x), study.GaugeOptions{Pool: 0.25, Multiplier: 6, Lower: lower, Upper: upper})
		if err != nil {
			g.why = err
			return
		}
		g.result = &r
		unit := ""
		if d, ok := quantity.Lookup(quantity.Name(g.plan.Quantity)); ok {
			unit = d.Unit
		}
		for _, k := range r.Components {
			s.Results = append(s.Results, record.StudyValue{Name: k.Name + ".sd", Unit: unit, V: float64(k.SD)})
		}
	}
	if g.concluded {
		return
	}
	text, err := json.Marshal(g.plan)
	if err != nil {
		g.failed = errors.Join(g.failed, err)
		return
	}
	s.Plan = string(text)
	if _, err := g.bench.Station.Append(s); err != nil {
		g.failed = errors.Join(g.failed, fmt.Errorf("recording the result: %w", err))
	}
}

// limits are those in force of the quantity, NaN where there is none.
func (g *guide) limits() (lower, upper float64) {
	lower, upper = math.NaN(), math.NaN()
	files, _, err := g.bench.Files(g.plan.Labels[0])
	if err != nil {
		return lower, upper
	}
	for _, l := range files.Limits.Limits {
		if string(l.Name) != g.plan.Quantity {
			continue
		}
		if l.Low != nil {
			lower = *l.Low
		}
		if l.High != nil {
			upper = *l.High
		}
	}
	return lower, upper
}

// tell prints the result.
func (g *guide) tell(c *cobra.Command, asJSON bool) error {
	switch {
	case g.result == nil && g.why != nil && g.plan.Appraiser == byStation:
		fmt.Fprintf(c.ErrOrStderr(), "panecal: %v\n", g.why)
		return nil
	case g.result == nil && g.why == nil:
		return fmt.Errorf("the study %s is not complete: go on with `panecal study run %s`", visible.Text(g.name), visible.Text(g.name))
	case g.result == nil:
		return &cli.CodedError{Code: cli.ExitFailed, Err: g.why}
	case asJSON:
		return cli.PrintJSON(c.OutOrStdout(), g.result)
	}
	return writeResult(c.OutOrStdout(), *g.result)
}
