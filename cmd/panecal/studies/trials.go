package studies

import (
	"encoding/csv"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/visible"
	"example.org/panecal/store"
)

// trialsReport is `study trials --json`.
type trialsReport struct {
	Schema   string     `json:"schema"`
	Study    string     `json:"study"`
	Quantity string     `json:"quantity"`
	Unit     string     `json:"unit"`
	Wanted   int        `json:"wanted"` // trials of the plan
	Trials   []trialRow `json:"trials"`
}

type trialRow struct {
	Part      string    `json:"part"`
	Appraiser string    `json:"appraiser"`
	Trial     int       `json:"trial"`
	Value     float64   `json:"value"`
	U         float64   `json:"u"`
	Station   string    `json:"station"`
	Nest      string    `json:"nest"`
	Operator  string    `json:"operator"`
	Sequence  uint64    `json:"sequence"`
	Time      time.Time `json:"time"`
}

// newTrials makes `panecal study trials`.
func newTrials(open func() (*store.Follower, error)) *cobra.Command {
	name, asJSON := "", false
	c := &cobra.Command{
		Use:   "trials NAME",
		Short: "Print the trials of a study that was measured at the station",
		Long: `Prints the trials that the log holds of a study as CSV, with the columns that
study gauge takes, for any quantity. Tables of several stations are joined by
appending one to the other without its first line.`,
		Example: "  panecal study trials nests-w48 > trials.csv\n  panecal study trials nests-w48 --quantity leakage.max --json",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			log, err := open()
			if err != nil {
				return err
			}
			defer log.Close()
			p, _, err := findPlan(log, args[0])
			if errors.Is(err, errNoStudy) {
				return fmt.Errorf("the log has no study %s: `panecal study run` begins one", visible.Text(args[0]))
			}
			if err != nil {
				return err
			}
			if name != "" {
				p.Quantity = name
			}
			d, ok := quantity.Lookup(quantity.Name(p.Quantity))
			if !ok {
				return cli.Unknown("quantity", string(p.Quantity), store.AllQuantities())
			}
			entries, err := attemptsOf(log, p)
			if err != nil {
				return fmt.Errorf("reading the log: %w", err)
			}
			r := trialsReport{Schema: "panecal.trials/1", Study: args[0], Quantity: p.Quantity, Unit: d.Unit, Wanted: len(p.order()), Trials: []trialRow{}}
			for _, t := range p.match(args[0], entries) {
				run := &t.attempt.Run
				r.Trials = append(r.Trials, trialRow{Part: p.Parts[t.part], Appraiser: p.Appraisers[t.appraiser], Trial: t.round + 1, Value: t.value.V, U: t.value.U,
					Station: t.entry.Ref.Station, Nest: run.Nest, Operator: run.Operator, Sequence: t.entry.Ref.Sequence, Time: t.entry.Time})
			}
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), r)
			}
			if n := r.Wanted - len(r.Trials); n > 0 {
				fmt.Fprintf(c.ErrOrStderr(), "panecal: %d of %d trials have no value yet\n", n, r.Wanted)
			}
			w := csv.NewWriter(c.OutOrStdout())
			rows := [][]string{{"part", "appraiser", "trial", "value", "station", "nest", "operator", "time"}}
			for _, t := range r.Trials {
				rows = append(rows, []string{t.Part, t.Appraiser, strconv.Itoa(t.Trial), strconv.FormatFloat(t.Value, 'g', -1, 64), t.Station, t.Nest, t.Operator, t.Time.Format(time.RFC3339Nano)})
			}
			return w.WriteAll(rows)
		},
	}
	c.Flags().StringVar(&name, "quantity", "", "another quantity than that of the plan")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}
