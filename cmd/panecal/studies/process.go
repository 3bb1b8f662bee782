package studies

import (
	"errors"
	"fmt"
	"math"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/study"
)

func errOutside(flag, want string) error { return fmt.Errorf("--%s: must be %s", flag, want) }

func newGauge() *cobra.Command {
	var o study.GaugeOptions
	s := newCommand("gauge FILE", "Crossed gauge study: how much of the scatter is the station's own",
		`Every appraiser (nest, station or person) measures every part equally often, at
least twice: columns part, appraiser and value. The interaction of part and
appraiser is pooled with repeatability if its p is larger than --pool.
percent_study is 100·sd/total sd; percent_tolerance is
100·multiplier·sd/(upper-lower), given both limits; ndc is the number of
categories that the station can tell apart. A negative estimate of a variance
counts as 0; variance_raw shows it.

Source: AIAG, Measurement Systems Analysis, 4th ed., chapter III, section B.

`+tableHelp,
		"  panecal study gauge trials.csv\n  panecal study gauge trials.csv --lower -2 --upper 2 --json\n  panecal study gauge trials.csv --column appraiser=nest,value=offset_mm",
		cobra.ExactArgs(1), func(s *command, args []string) (any, error) {
			if !(o.Pool >= 0 && o.Pool <= 1) {
				return nil, cli.UsageError(errOutside("pool", "between 0 and 1"))
			}
			parts, appraisers, x, err := s.trials(args[0], o)
			if err != nil {
				return nil, err
			}
			g, err := study.NewGauge(parts, appraisers, x, o)
			return g, inFile(args[0], err)
		}).withColumns("appraiser=nest")
	s.number(&o.Pool, "pool", 0.25, "pool the interaction if its p is larger")
	s.gaugeFlags(&o)
	return s.Command
}

func newCapability() *cobra.Command {
	var lower, upper, confidence, mean, sd float64
	var n int
	s := newCommand("capability [FILE]", "Capability indices with confidence bounds",
		`Cp, Cpl, Cpu and Cpk from the spread of the short term, Pp, Ppl, Ppu and Ppk from
that of all values, each with bounds: of the column value, or of numbers given as
--mean and --sd, which then serve both (without --n there are no bounds).

With a column group the short-term spread is the pooled standard deviation
within groups over c4; without, the mean moving range over 1.128: then rows stand
in the order measured. With one limit only its own index is given, and cpk and
ppk are that one. Indices mean nothing for a process that is not stable; show
that first, with panecal study individuals.

`+tableHelp,
		"  panecal study capability leakage.csv --upper 0.02\n  panecal study capability --mean 16 --sd 2 --n 50 --lower 8 --upper 20 --json",
		cobra.MaximumNArgs(1), func(s *command, args []string) (any, error) {
			if err := shareBetween("confidence", confidence); err != nil {
				return nil, err
			}
			if math.IsNaN(lower) && math.IsNaN(upper) {
				return nil, cli.UsageError(errors.New("give --lower, --upper or both"))
			}
			if err := limitsApart(lower, upper); err != nil {
				return nil, err
			}
			p, err := s.process(args, mean, sd, n)
			if err != nil {
				return nil, err
			}
			return p.Capability(lower, upper, confidence), nil
		}).withColumns("value=leakage")
	s.number(&lower, "lower", undefinedNumber(), "lower specification limit")
	s.number(&upper, "upper", undefinedNumber(), "upper specification limit")
	s.number(&confidence, "confidence", 0.95, "confidence of the bounds")
	s.numbers(&mean, &sd, &n)
	return s.Command
}

// numbers adds the flags that stand for a sample.
func (s *command) numbers(mean, sd *float64, n *int) {
	s.number(mean, "mean", undefinedNumber(), "mean, instead of FILE")
	s.number(sd, "sd", undefinedNumber(), "standard deviation, instead of FILE")
	s.Flags().IntVar(n, "n", 0, "number of values, instead of FILE")
}

// plain checks numbers that stand for a sample.
func (s *command) plain(sd float64, n int) error {
	if sd < 0 {
		return cli.UsageError(errOutside("sd", "0 or larger"))
	}
	if s.Flags().Changed("n") && n < 1 {
		return cli.UsageError(errOutside("n", "1 or larger"))
	}
	return nil
}

func (s *command) process(args []string, mean, sd float64, n int) (study.Process, error) {
	if len(args) == 0 {
		if !s.Flags().Changed("mean") && !s.Flags().Changed("sd") {
			return study.Process{}, cli.UsageError(fmt.Errorf("give a FILE, or --mean and --sd; see %s --help", s.CommandPath()))
		}
		if err := s.missing("mean", "sd"); err != nil {
			return study.Process{}, err
		}
		return study.Process{Mean: mean, Within: sd, Overall: sd, N: n}, s.plain(sd, n)
	}
	if err := s.surplus("beside a FILE", "mean", "sd", "n"); err != nil {
		return study.Process{}, err
	}
	t, err := s.table(args[0], "group", "value")
	if err != nil {
		return study.Process{}, err
	}
	x, err := t.Numbers(s.column("value"))
	if err != nil {
		return study.Process{}, inFile(args[0], err)
	}
	if _, asked := s.columns["group"]; !asked && !t.Has("group") {
		return study.Sequence(x), nil
	}
	groups, err := t.Labels(s.column("group"))
	if err != nil {
		return study.Process{}, inFile(args[0], err)
	}
	return study.Subgroups(groups, x), nil
}

func newTolerance() *cobra.Command {
	var o study.ToleranceOptions
	var mean, sd float64
	var n int
	s := newCommand("tolerance [FILE]", "Statistical tolerance interval: where the population lies, from a sample",
		`An interval (--sides 2), or a lower and an upper bound each for itself
(--sides 1), that holds the share --coverage of the population, with that
--confidence: of the column value, or of --n values with --mean and --sd (with
--n alone the factor k, or for free the ranks).

Methods: exact for normal values (one-sided by the noncentral t distribution,
two-sided by integration, ISO 16269-6); howe, the approximation of the
handbooks (one-sided Natrella's); free of any distribution, from the r-th
smallest and largest value: too few values are an error that names the number
wanted.

`+tableHelp,
		"  panecal study tolerance leakage.csv --coverage 0.99 --sides 1\n  panecal study tolerance leakage.csv --method free --coverage 0.95 --json\n  panecal study tolerance --n 43 --mean 97.07 --sd 0.0268 --coverage 0.9 --confidence 0.99",
		cobra.MaximumNArgs(1), func(s *command, args []string) (any, error) {
			if err := errors.Join(shareBetween("coverage", o.Coverage), shareBetween("confidence", o.Confidence)); err != nil {
				return nil, err
			}
			if o.Sides != 1 && o.Sides != 2 {
				return nil, cli.UsageError(errOutside("sides", "1 or 2"))
			}
			if o.Method != "exact" && o.Method != "howe" && o.Method != "free" {
				return nil, cli.UsageError(errOutside("method", "exact, howe or free"))
			}
			return s.tolerance(args, mean, sd, n, o)
		}).withColumns("value=leakage")
	s.number(&o.Coverage, "coverage", 0.95, "share of the population")
	s.number(&o.Confidence, "confidence", 0.95, "confidence of the statement")
	s.Flags().IntVar(&o.Sides, "sides", 2, "1 or 2")
	s.choice(&o.Method, "method", "exact", "howe", "free")
	s.numbers(&mean, &sd, &n)
	return s.Command
}

// choice adds a flag of few values, the first of them the default, and their
// completion.
func (s *command) choice(p *string, name string, values ...string) {
	usage := values[0]
	for _, v := range values[1:] {
		usage += ", " + v
	}
	s.Flags().StringVar(p, name, values[0], usage)
	if err := s.RegisterFlagCompletionFunc(name, cobra.FixedCompletions(values, cobra.ShellCompDirectiveNoFileComp)); err != nil {
		panic(err) // the flag was added above
	}
}

func (s *command) tolerance(args []string, mean, sd float64, n int, o study.ToleranceOptions) (any, error) {
	if len(args) > 0 {
		if err := s.surplus("beside a FILE", "mean", "sd", "n"); err != nil {
			return nil, err
		}
		x, err := s.sample(args[0])
		if err != nil {
			return nil, err
		}
		t, err := study.SampleTolerance(x, o)
		return t, inFile(args[0], err)
	}
	if !s.Flags().Changed("n") {
		return nil, cli.UsageError(fmt.Errorf("give a FILE, or --n with --mean and --sd; see %s --help", s.CommandPath()))
	}
	if err := s.plain(sd, n); err != nil {
		return nil, err
	}
	if s.Flags().Changed("mean") != s.Flags().Changed("sd") {
		return nil, s.missing("mean", "sd")
	}
	if o.Method == "free" {
		if err := s.surplus("to the method free, which needs the values", "mean", "sd"); err != nil {
			return nil, err
		}
		return study.FreeTolerance(n, o)
	}
	return study.NormalTolerance(n, mean, sd, o)
}

// gaugeFlags adds the flags that gauge studies share.
func (s *command) gaugeFlags(o *study.GaugeOptions) {
	s.number(&o.Multiplier, "multiplier", 6, "standard deviations held against the tolerance")
	s.number(&o.Lower, "lower", undefinedNumber(), "lower specification limit")
	s.number(&o.Upper, "upper", undefinedNumber(), "upper specification limit")
}

// trials reads the file of a gauge study, and refuses options that none can have.
func (s *command) trials(path string, o study.GaugeOptions) (parts, appraisers []string, x study.Sample, err error) {
	if !(o.Multiplier > 0) {
		return nil, nil, x, cli.UsageError(errOutside("multiplier", "larger than 0"))
	}
	if err := limitsApart(o.Lower, o.Upper); err != nil {
		return nil, nil, x, err
	}
	t, err := s.table(path, "part", "appraiser", "value")
	if err != nil {
		return nil, nil, x, err
	}
	if parts, err = t.Labels(s.column("part")); err != nil {
		return nil, nil, x, inFile(path, err)
	}
	if appraisers, err = t.Labels(s.column("appraiser")); err != nil {
		return nil, nil, x, inFile(path, err)
	}
	x, err = t.Numbers(s.column("value"))
	return parts, appraisers, x, inFile(path, err)
}
