package studies

import (
	"github.com/spf13/cobra"

	"example.org/panecal/limits/study"
)

// pairs reads two columns of numbers.
func (s *command) pairs(file, a, b string) (x, y study.Sample, err error) {
	t, err := s.table(file, a, b)
	if err != nil {
		return x, y, err
	}
	if x, err = t.Numbers(s.column(a)); err != nil {
		return x, y, inFile(file, err)
	}
	y, err = t.Numbers(s.column(b))
	return x, y, inFile(file, err)
}

func newLinearity() *cobra.Command {
	return newCommand("linearity FILE", "Bias of the station, and how it follows the reference",
		`Takes readings of parts whose values are known by other means: columns reference
and value. Tells the bias, value less reference, at each reference and how it
follows the reference, each with Student's t and the chance of one as large.

Source: AIAG, Measurement Systems Analysis, 4th ed., chapter III, section B.

`+tableHelp,
		"  panecal study linearity readings.csv\n  panecal study linearity readings.csv --column reference=true_mm --json",
		cobra.ExactArgs(1), func(s *command, args []string) (any, error) {
			x, y, err := s.pairs(args[0], "reference", "value")
			if err != nil {
				return nil, err
			}
			l, err := study.NewLinearity(x, y)
			return l, inFile(args[0], err)
		}).withColumns("reference=true_mm").Command
}

func newCorrelation() *cobra.Command {
	confidence := 0.95
	s := newCommand("correlation FILE", "Do two stations say the same of the same parts?",
		`Takes what two stations, or two nests, gave for the same parts: columns x and y, a
row a part. Tells Pearson's correlation with bounds (Fisher's z), the mean of y - x
with bounds (Student's t), and its standard deviation. Parts that hardly differ
correlate badly whatever the stations do; then the differences are what counts.

`+tableHelp,
		"  panecal study correlation both.csv --column x=S1,y=S2\n  panecal study correlation both.csv --json",
		cobra.ExactArgs(1), func(s *command, args []string) (any, error) {
			if err := shareBetween("confidence", confidence); err != nil {
				return nil, err
			}
			x, y, err := s.pairs(args[0], "x", "y")
			if err != nil {
				return nil, err
			}
			c, err := study.NewCorrelation(x, y, confidence)
			return c, inFile(args[0], err)
		}).withColumns("x=S1")
	s.number(&confidence, "confidence", confidence, "confidence of the bounds")
	return s.Command
}

func newNested() *cobra.Command {
	o := study.GaugeOptions{}
	s := newCommand("nested FILE", "Gauge study whose parts stay with their appraiser",
		`For stations that cannot be given the same parts: every appraiser measures parts of
its own, equally many and each equally often, at least twice: columns part,
appraiser and value. What differs between appraisers is then partly their parts';
the appraiser is held against them. percent_study is 100·sd/total sd;
percent_tolerance is 100·multiplier·sd/(upper-lower), given both limits.

`+tableHelp,
		"  panecal study nested trials.csv --lower -2 --upper 2\n  panecal study nested trials.csv --column appraiser=station --json",
		cobra.ExactArgs(1), func(s *command, args []string) (any, error) {
			parts, appraisers, x, err := s.trials(args[0], o)
			if err != nil {
				return nil, err
			}
			n, err := study.NewNested(parts, appraisers, x, o)
			return n, inFile(args[0], err)
		}).withColumns("appraiser=station")
	s.gaugeFlags(&o)
	return s.Command
}
