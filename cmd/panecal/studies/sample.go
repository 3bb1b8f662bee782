package studies

import (
	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/study"
)

func newSummary() *cobra.Command {
	return newCommand("summary FILE", "Mean, standard deviation, median, range, autocorrelation",
		`Describes the column value: n, mean, standard deviation (n-1), median, smallest
and largest value, and the autocorrelation of neighbours (lag1).

`+tableHelp,
		"  panecal study summary offsets.csv\n  panecal study summary - --column value=offset_mm --json < offsets.csv",
		cobra.ExactArgs(1), func(s *command, args []string) (any, error) {
			x, err := s.sample(args[0])
			if err != nil {
				return nil, err
			}
			return study.Summarize(x), nil
		}).withColumns("value=offset_mm").Command
}

func newPercentile() *cobra.Command {
	var p float64
	var definition int
	s := newCommand("percentile FILE", "A percentile of a sample, by three definitions",
		`Gives the value below which the share p of the population of the column value
lies. Definitions 6, 7 and 8 of Hyndman and Fan (1996) take the rank p(n+1),
1+p(n-1) and p(n+1/3)+1/3; 8 is nearly free of bias whatever the distribution.

`+tableHelp,
		"  panecal study percentile leakage.csv --p 0.95\n  panecal study percentile leakage.csv --p 0.9 --type 6 --json",
		cobra.ExactArgs(1), func(s *command, args []string) (any, error) {
			if err := s.missing("p"); err != nil {
				return nil, err
			}
			if !(p >= 0 && p <= 1) {
				return nil, cli.UsageError(errOutside("p", "a share between 0 and 1, such as 0.95"))
			}
			if definition < 6 || definition > 8 {
				return nil, cli.UsageError(errOutside("type", "6, 7 or 8"))
			}
			x, err := s.sample(args[0])
			if err != nil {
				return nil, err
			}
			return study.NewPercentile(x, p, definition)
		}).withColumns("value=leakage")
	s.number(&p, "p", undefinedNumber(), "share below the percentile, 0 to 1")
	s.Flags().IntVar(&definition, "type", 8, "definition: 6, 7 or 8")
	return s.Command
}

func newANOVA() *cobra.Command {
	return newCommand("anova FILE", "One-way analysis of variance",
		`Compares the groups of the columns group and value: do they differ by more than
values of one group do? p is the chance of so large an F where all groups are
alike. Groups need not be of one size.

`+tableHelp,
		"  panecal study anova nests.csv\n  panecal study anova nests.csv --column group=nest,value=offset_mm --json",
		cobra.ExactArgs(1), func(s *command, args []string) (any, error) {
			t, err := s.table(args[0], "group", "value")
			if err != nil {
				return nil, err
			}
			groups, err := t.Labels(s.column("group"))
			if err != nil {
				return nil, inFile(args[0], err)
			}
			x, err := t.Numbers(s.column("value"))
			if err != nil {
				return nil, inFile(args[0], err)
			}
			return study.OneWay(groups, x), nil
		}).withColumns("group=nest").Command
}

func newLine() *cobra.Command {
	return newCommand("line FILE", "A straight line by least squares",
		`Fits y = intercept + slope·x to the columns x and y, with standard deviations of
both and of the residuals (n-2). For the linearity of the station: x is the
reference, y the error; a slope of many times its slope_sd is a real one.

`+tableHelp,
		"  panecal study line linearity.csv\n  panecal study line linearity.csv --column x=reference_mm,y=error_mm --json",
		cobra.ExactArgs(1), func(s *command, args []string) (any, error) {
			t, err := s.table(args[0], "x", "y")
			if err != nil {
				return nil, err
			}
			x, err := t.Numbers(s.column("x"))
			if err != nil {
				return nil, inFile(args[0], err)
			}
			y, err := t.Numbers(s.column("y"))
			if err != nil {
				return nil, inFile(args[0], err)
			}
			return study.FitLine(x, y), nil
		}).withColumns("x=reference_mm").Command
}
