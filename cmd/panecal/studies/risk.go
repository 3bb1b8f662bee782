package studies

import (
	"errors"
	"fmt"
	"math"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits"
	"example.org/panecal/limits/study"
)

// riskFlags are all numbers that the risk of a wrong decision can depend on.
type riskFlags struct {
	lower, upper, mean, sd, u, guard, shape, rate, value float64
	prior                                                string
}

func newRisk() *cobra.Command {
	var f riskFlags
	s := newCommand("risk", "Risk of wrong decisions near a limit",
		`Of all units: the share accepted though bad (false_accept), rejected though good
(false_reject), and bad at all (nonconforming), and false accepts as a share of
those accepted. True values are normal with --mean and --sd, or by --prior gamma
with --shape and --rate; they are measured with standard uncertainty --u. A
limit left out does not exist; --guard is a width off each limit: a unit is
accepted from lower+guard to upper-guard (JCGM 106:2012, 9.5).

With --value instead: the probability that one unit conforms whose measured
value that is (JCGM 106:2012, 7).`,
		"  panecal study risk --upper 2 --mean 1 --sd 0.5 --u 0.25\n  panecal study risk --upper 2 --prior gamma --shape 4 --rate 4 --u 0.25 --guard 0.33 --json\n  panecal study risk --value -5.47 --u 0.05 --upper -5.4",
		cobra.NoArgs, func(s *command, _ []string) (any, error) { return s.risk(f) })
	s.number(&f.lower, "lower", undefinedNumber(), "lower specification limit")
	s.number(&f.upper, "upper", undefinedNumber(), "upper specification limit")
	s.number(&f.u, "u", undefinedNumber(), "standard uncertainty of a measurement")
	s.number(&f.mean, "mean", undefinedNumber(), "mean of the true values")
	s.number(&f.sd, "sd", undefinedNumber(), "standard deviation of the true values")
	s.number(&f.guard, "guard", 0, "width of the guard band at each limit")
	s.choice(&f.prior, "prior", "normal", "gamma")
	s.number(&f.shape, "shape", undefinedNumber(), "shape of the gamma distribution")
	s.number(&f.rate, "rate", undefinedNumber(), "rate of the gamma distribution: shape/mean")
	s.number(&f.value, "value", undefinedNumber(), "one measured value, instead of true values")
	return s.Command
}

func (s *command) risk(f riskFlags) (any, error) {
	if err := s.missing("u"); err != nil {
		return nil, err
	}
	if f.u < 0 || f.sd < 0 {
		return nil, cli.UsageError(errors.New("--u and --sd are 0 or larger"))
	}
	if math.IsNaN(f.lower) && math.IsNaN(f.upper) {
		return nil, cli.UsageError(errors.New("give --lower, --upper or both"))
	}
	if err := limitsApart(f.lower, f.upper); err != nil {
		return nil, err
	}
	spec := limits.Interval{Low: f.lower, High: f.upper}
	switch {
	case !math.IsNaN(f.value):
		if err := s.surplus("beside --value", "mean", "sd", "guard", "prior", "shape", "rate"); err != nil {
			return nil, err
		}
		return study.NewConformity(f.value, f.u, spec)
	case f.prior == "normal":
		if err := errors.Join(s.missing("mean", "sd"), s.surplus("without --prior gamma", "shape", "rate")); err != nil {
			return nil, err
		}
		return study.NormalRisk(f.mean, f.sd, f.u, spec, f.guard)
	case f.prior == "gamma":
		if err := errors.Join(s.missing("shape", "rate"), s.surplus("beside --prior gamma", "mean", "sd")); err != nil {
			return nil, err
		}
		r, err := study.GammaRisk(f.shape, f.rate, f.u, spec, f.guard)
		if err != nil {
			err = cli.UsageError(err)
		}
		return r, err
	}
	return nil, cli.UsageError(errOutside("prior", "normal or gamma"))
}

func newProportion() *cobra.Command {
	var count, of int
	var confidence float64
	var method string
	s := newCommand("proportion", "A share with its confidence interval",
		`A share found as --count among --of, with a two-sided interval, its tails equal:
exact (Clopper and Pearson) or wilson.`,
		"  panecal study proportion --count 4 --of 20 --confidence 0.9\n  panecal study proportion --count 0 --of 300 --method wilson --json",
		cobra.NoArgs, func(s *command, _ []string) (any, error) {
			if err := s.missing("count", "of"); err != nil {
				return nil, err
			}
			p, err := study.NewProportion(count, of, confidence, method)
			if err != nil {
				err = cli.UsageError(err)
			}
			return p, err
		})
	s.Flags().IntVar(&count, "count", 0, "units found so")
	s.Flags().IntVar(&of, "of", 0, "units looked at")
	s.number(&confidence, "confidence", 0.95, "confidence of the interval")
	s.choice(&method, "method", "exact", "wilson")
	return s.Command
}

func newSequential() *cobra.Command {
	var p0, p1, mean0, mean1, sd, alpha, beta float64
	s := newCommand("sequential", "Sequential test: decide after each unit, stop as soon as it is sure",
		`Tests a share of p0 against a larger p1, or a mean of mean0 against a larger
mean1 with known sd. After n units the number (or the sum) found is held against
two lines: at or below slope·n - h1 the first holds, at or above slope·n + h2
the second; between them test on. e0 and e1 are the units that it takes on
average where the one or the other is true (Wald's approximation), n_fixed those
of a test of fixed size with the same risks (A. Wald 1945).`,
		"  panecal study sequential --p0 0.01 --p1 0.1 --alpha 0.05 --beta 0.1\n  panecal study sequential --mean0 0 --mean1 0.5 --sd 1 --alpha 0.01 --beta 0.01 --json",
		cobra.NoArgs, func(s *command, _ []string) (any, error) {
			if err := s.missing("alpha", "beta"); err != nil {
				return nil, err
			}
			share := s.Flags().Changed("p0") || s.Flags().Changed("p1")
			mean := s.Flags().Changed("mean0") || s.Flags().Changed("mean1") || s.Flags().Changed("sd")
			var test study.Sequential
			var err error
			switch {
			case share && mean || !share && !mean:
				return nil, cli.UsageError(fmt.Errorf("give --p0 and --p1, or --mean0, --mean1 and --sd"))
			case share:
				if err = s.missing("p0", "p1"); err == nil {
					test, err = study.SequentialShare(p0, p1, alpha, beta)
				}
			default:
				if err = s.missing("mean0", "mean1", "sd"); err == nil {
					test, err = study.SequentialMean(mean0, mean1, sd, alpha, beta)
				}
			}
			if err != nil {
				err = cli.UsageError(err)
			}
			return test, err
		})
	s.number(&p0, "p0", undefinedNumber(), "share to be accepted")
	s.number(&p1, "p1", undefinedNumber(), "share to be found out")
	s.number(&mean0, "mean0", undefinedNumber(), "mean to be accepted")
	s.number(&mean1, "mean1", undefinedNumber(), "mean to be found out")
	s.number(&sd, "sd", undefinedNumber(), "standard deviation of one value")
	s.number(&alpha, "alpha", undefinedNumber(), "risk to find out what is not there")
	s.number(&beta, "beta", undefinedNumber(), "risk to accept what should be found out")
	return s.Command
}
