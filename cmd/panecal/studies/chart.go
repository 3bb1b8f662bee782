package studies

import (
	"fmt"
	"math"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/study"
)

func newIndividuals() *cobra.Command {
	return newCommand("individuals FILE", "Control chart of single values, with Nelson's tests",
		`Charts the column value in the order of its rows: centre line at the mean, limits
three standard deviations off it, these from the mean moving range over 1.128.
signals are the numbers of the tests that a point completes (L. S. Nelson 1984):
1 beyond a limit; 2 nine on one side; 3 six rising or falling; 4 fourteen up and
down in turn; 5 two of three beyond 2 sd on one side; 6 four of five beyond 1 sd
on one side; 7 fifteen within 1 sd; 8 eight beyond 1 sd on either side.

`+tableHelp,
		"  panecal study individuals check-unit.csv\n  panecal study individuals check-unit.csv --column value=offset_mm --json",
		cobra.ExactArgs(1), func(s *command, args []string) (any, error) {
			x, err := s.sample(args[0])
			if err != nil {
				return nil, err
			}
			return study.Individuals(x), nil
		}).withColumns("value=offset_mm").Command
}

func newEWMA() *cobra.Command {
	var o study.EWMAOptions
	var form string
	s := newCommand("ewma FILE", "Chart of the exponentially weighted moving average",
		`Charts the average of the column value, z <- lambda·x + (1-lambda)·z: it sees a
small lasting shift sooner than single values do. Limits lie k standard
deviations of z off the start. steady limits are those of a long chart; exact
ones grow with each point and stand beside it. A signal 1 is beyond a limit.

`+tableHelp,
		"  panecal study ewma check-unit.csv --lambda 0.3 --start 50 --sd 2.0539\n  panecal study ewma check-unit.csv --limits exact --json",
		cobra.ExactArgs(1), func(s *command, args []string) (any, error) {
			if !(o.Lambda > 0 && o.Lambda <= 1) {
				return nil, cli.UsageError(errOutside("lambda", "above 0 and at most 1"))
			}
			if o.SD < 0 {
				return nil, cli.UsageError(errOutside("sd", "0 or larger"))
			}
			if !(o.K > 0) {
				return nil, cli.UsageError(errOutside("k", "larger than 0"))
			}
			if form != "steady" && form != "exact" {
				return nil, cli.UsageError(errOutside("limits", "steady or exact"))
			}
			o.Exact = form == "exact"
			x, err := s.sample(args[0])
			if err != nil {
				return nil, err
			}
			return study.EWMA(x, o)
		}).withColumns("value=offset_mm")
	s.number(&o.Lambda, "lambda", 0.2, "weight of the newest value")
	s.number(&o.Start, "start", undefinedNumber(), "first average and centre line (default: the mean)")
	s.number(&o.SD, "sd", undefinedNumber(), "standard deviation of one value (default: mean moving range / 1.128)")
	s.number(&o.K, "k", 3, "width of the limits in standard deviations of the average")
	s.choice(&form, "limits", "steady", "exact")
	return s.Command
}

func newCUSUM() *cobra.Command {
	var target, k, h, sd float64
	s := newCommand("cusum FILE", "Chart of cumulative sums of deviations from a target",
		`Sums what the column value lies more than k above the target, and what it lies
more than k below; both sums count upwards and start again at 0. A signal 1 is a
sum above h. k and h are in the unit of the data; with --sd they are multiples
of it (common choice: k 0.5, h 4 or 5).

`+tableHelp,
		"  panecal study cusum check-unit.csv --target 325 --k 0.3175 --h 4.1959\n  panecal study cusum check-unit.csv --target 0 --k 0.5 --h 5 --sd 0.12 --json",
		cobra.ExactArgs(1), func(s *command, args []string) (any, error) {
			if err := s.missing("target", "k", "h"); err != nil {
				return nil, err
			}
			if k < 0 || h <= 0 || !math.IsNaN(sd) && sd <= 0 {
				return nil, cli.UsageError(fmt.Errorf("--k is 0 or larger, --h and --sd are larger than 0"))
			}
			x, err := s.sample(args[0])
			if err != nil {
				return nil, err
			}
			return study.CUSUM(x, target, k, h, sd)
		}).withColumns("value=offset_mm")
	s.number(&target, "target", undefinedNumber(), "value to be kept")
	s.number(&k, "k", undefinedNumber(), "deviation that does not count")
	s.number(&h, "h", undefinedNumber(), "sum that signals")
	s.number(&sd, "sd", undefinedNumber(), "standard deviation; k and h are then multiples of it")
	return s.Command
}
