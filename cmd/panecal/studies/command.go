// Package studies is the sub-command `study`: it takes numbers from a file or
// from flags, lets package limits/study work, and prints its result as JSON or
// for reading. A result's JSON names are the words that people read.
package studies

import (
	"errors"
	"fmt"
	"math"
	"os"
	"strconv"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/study"
	"example.org/panecal/store"
)

const tableHelp = `The table is CSV with a header line: cells parted by commas, quoted where they
hold a comma, numbers with a decimal point. More columns than the kind asks for
are ignored; --column value=NAME takes a column of another name. A cell that
cannot be used is named by row and column (exit code 1). FILE - is standard
input.

Without --json the result is shown for reading; with it, as one
panecal.study/1 object with all its digits. What is not defined is null.`

// New is the sub-command, with one below it for each kind and two for studies
// that are measured at the station, which bench opens and whose log is read.
func New(bench OpenBench, log func() (*store.Follower, error)) *cobra.Command {
	c := &cobra.Command{
		Use:   "study KIND [FILE]",
		Short: "Statistics of a process or of the station, from a CSV file or plain numbers",
		Long:  "Works out one of the statistics below from a CSV file or from plain numbers.\n\n" + tableHelp,
		Example: `  panecal study gauge trials.csv --lower 30 --upper 70
  panecal study capability leakage.csv --upper 0.02 --json
  panecal study tolerance --n 43 --mean 97.07 --sd 0.0268 --coverage 0.9 --confidence 0.99`,
		Args: cli.Args(func(_ *cobra.Command, args []string) error {
			if len(args) > 0 {
				return fmt.Errorf("there is no study %q", args[0])
			}
			return nil
		}),
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newGauge(), newSummary(), newPercentile(), newANOVA(), newLine(),
		newCapability(), newTolerance(), newIndividuals(), newEWMA(), newCUSUM(),
		newRisk(), newProportion(), newSequential(), newLinearity(), newCorrelation(), newNested(), newRun(bench), newTrials(log))
	return c
}

// command is one kind.
type command struct {
	*cobra.Command
	columns map[string]string // names in the file, by the names that we use
}

// newCommand is a kind that takes files; answer gives a result of package
// limits/study.
func newCommand(kind, short, long, example string, files cobra.PositionalArgs, answer func(s *command, args []string) (any, error)) *command {
	var asJSON bool
	s := &command{}
	s.Command = &cobra.Command{
		Use: kind, Short: short, Long: long, Example: example, Args: cli.Args(files),
		RunE: func(c *cobra.Command, args []string) error {
			a, err := answer(s, args)
			if err != nil {
				return fmt.Errorf("study %s: %w", c.Name(), err)
			}
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), a)
			}
			return writeResult(c.OutOrStdout(), a)
		},
	}
	s.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return s
}

// withColumns adds the flag for columns of other names.
func (s *command) withColumns(example string) *command {
	s.Flags().StringToStringVar(&s.columns, "column", nil, "take a column of another name, as in "+example)
	return s
}

func (s *command) column(name string) string {
	if other, ok := s.columns[name]; ok {
		return other
	}
	return name
}

// table reads the file; known are the columns that the kind may use.
func (s *command) table(name string, known ...string) (*study.Table, error) {
	for c := range s.columns {
		found := false
		for _, k := range known {
			found = found || k == c
		}
		if !found {
			return nil, cli.UsageError(fmt.Errorf("--column %s: this kind has no column of that name", c))
		}
	}
	in := s.InOrStdin()
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		in = f
	}
	t, err := study.ReadTable(in)
	if err != nil {
		return nil, inFile(name, err)
	}
	return t, nil
}

func (s *command) sample(name string) (study.Sample, error) {
	t, err := s.table(name, "value")
	if err != nil {
		return study.Sample{}, err
	}
	x, err := t.Numbers(s.column("value"))
	return x, inFile(name, err)
}

func inFile(name string, err error) error {
	if err == nil {
		return nil
	}
	if name == "-" {
		name = "standard input"
	}
	return fmt.Errorf("%s: %w", name, err)
}

// plainNumber is a flag that takes a finite decimal number; NaN where it was
// not given.
type plainNumber float64

func (s *command) number(p *float64, name string, value float64, usage string) {
	*p = value
	s.Flags().Var((*plainNumber)(p), name, usage)
}

// String is "" for what was not given, so that help shows no default.
func (n *plainNumber) String() string {
	if math.IsNaN(float64(*n)) {
		return ""
	}
	return strconv.FormatFloat(float64(*n), 'g', -1, 64)
}

// Set takes no NaN and no infinity: a limit that does not exist is left out.
func (n *plainNumber) Set(text string) error {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return errors.New("not a number such as 0.25; leave the flag out where there is none")
	}
	*n = plainNumber(v)
	return nil
}

// Type names the flag's value in help.
func (n *plainNumber) Type() string { return "number" }

// missing is a usage error that names the flags of the list that were not
// given, nil where all were.
func (s *command) missing(flags ...string) error {
	for _, name := range flags {
		if !s.Flags().Changed(name) {
			return cli.UsageError(fmt.Errorf("--%s is missing; see %s --help", name, s.CommandPath()))
		}
	}
	return nil
}

// surplus is a usage error where a flag was given that says nothing here.
func (s *command) surplus(why string, flags ...string) error {
	for _, name := range flags {
		if s.Flags().Changed(name) {
			return cli.UsageError(fmt.Errorf("--%s says nothing %s", name, why))
		}
	}
	return nil
}

// limitsApart checks a pair of limits, NaN where there is none.
func limitsApart(lower, upper float64) error {
	if lower >= upper {
		return cli.UsageError(fmt.Errorf("--lower %v is not below --upper %v", lower, upper))
	}
	return nil
}

func shareBetween(name string, v float64) error {
	if !(v > 0 && v < 1) {
		return cli.UsageError(fmt.Errorf("--%s %v is not between 0 and 1", name, v))
	}
	return nil
}

func undefinedNumber() float64 { return math.NaN() }
