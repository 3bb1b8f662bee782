package analyst

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"text/tabwriter"
	"time"

	"github.com/charmbracelet/x/term"
	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/study"
	"example.org/panecal/store"
	"example.org/panecal/store/evidence"
	"example.org/panecal/store/record"
)

const reestimateSchema = "panecal.reestimate/1"

// alike is how far numbers of another version or processor may be apart: some last
// bits, from where multiplication and addition are fused.
const alike = 1e-9

// reestimated is `reestimate --json`.
type reestimated struct {
	Schema      string       `json:"schema"`
	Serial      string       `json:"serial"`
	Attempt     int          `json:"attempt"`
	Station     string       `json:"station"`
	Generation  uint32       `json:"generation"`
	Sequence    uint64       `json:"sequence"`
	Software    string       `json:"software"`     // that recorded the attempt
	SoftwareNow string       `json:"software_now"` // that computed it again
	Numbers     int          `json:"numbers"`      // that were held against the record
	Same        bool         `json:"same"`         // bit for bit
	Largest     study.Number `json:"largest"`      // relative difference
	Differences []difference `json:"differences"`
	Outcome     string       `json:"outcome"` // on record
	SoftBin     int          `json:"soft_bin"`
	SoftName    string       `json:"soft_name"`
	Judged      []judged     `json:"judged"` // again, the numbers on record and those of now
}

type difference struct {
	What     string       `json:"what"`
	Recorded study.Number `json:"recorded"`
	Now      study.Number `json:"now"`
	Relative study.Number `json:"relative"` // null: no number any more
	New      bool         `json:"new"`      // not on record: an older version did not compute it
}

// judged is a set of numbers held against a revision of limits.
type judged struct {
	Numbers     string       `json:"numbers"` // "recorded" or "now"
	Limits      string       `json:"limits"`  // revision
	Outcome     string       `json:"outcome"`
	SoftBin     int          `json:"soft_bin"`
	SoftName    string       `json:"soft_name"`
	HardBin     int          `json:"hard_bin"`
	Disposition string       `json:"disposition"`
	Lines       []judgedLine `json:"lines"`
}

type judgedLine struct {
	Name        string       `json:"name"`
	Unit        string       `json:"unit"`
	Value       study.Number `json:"value"`
	U           study.Number `json:"u"`
	Lower       study.Number `json:"lower"`
	Upper       study.Number `json:"upper"`
	K           study.Number `json:"k"`
	Measured    bool         `json:"measured"`
	Passed      bool         `json:"passed"`
	PConforming study.Number `json:"p_conforming"`
}

// reestimatedAll is `reestimate --all --json`.
type reestimatedAll struct {
	Schema     string       `json:"schema"`
	Software   string       `json:"software_now"`
	Attempts   int          `json:"attempts"`    // with raw captures, that were computed again
	Numbers    int          `json:"numbers"`     // that were held against the records
	Same       int          `json:"same"`        // attempts, bit for bit
	Alike      int          `json:"alike"`       // attempts, within 1e-9 of each number
	Different  []string     `json:"different"`   // the others, by their records
	NoCaptures int          `json:"no_captures"` // attempts of which nothing can be computed
	Largest    study.Number `json:"largest"`     // relative difference
}

// NewReestimate makes `panecal reestimate`; software is this program's version.
func NewReestimate(open Open, software string) *cobra.Command {
	var choice desk.Choice
	number, revision, all, asJSON := 0, "", false, false
	c := &cobra.Command{
		Use:   "reestimate SERIAL | --all",
		Short: "Compute an attempt again from its raw captures, and judge it again",
		Long: `Computes an attempt with the estimator of this program from the raw captures and
the product file of that day, and holds every number against the record: each
quantity with its uncertainties, each zone, each line of the budget. With the same
version on the same processor they are the same bits.

The numbers on record and those of now are then judged by a revision of limits: that
which was in force, or with --revision any that the log holds, by the first digits of
its hash, or a file.

--all does it for every attempt with raw captures that the flags choose, and prints
how many are the same.

` + desk.ChoiceHelp + `

Exit code 3 where a number on record comes out different by more than 1e-9 of its
size. Another version may well do that: what the record says stays the result.`,
		Example: `  panecal reestimate H54-00001-O
  panecal reestimate H54-00001-O --attempt 1 --revision 34343cdf --json
  panecal reestimate --all --since 2026-11-01`,
		Args: cli.Args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			if all == (len(args) == 1) {
				return cli.UsageError(errors.New("give a serial, or --all"))
			}
			f, err := choice.Filter()
			if err != nil {
				return err
			}
			log, err := open()
			if err != nil {
				return err
			}
			defer log.Close()
			files := evidence.NewFiles(log)
			if all {
				a, err := everything(c.Context(), log, files, f, c.ErrOrStderr())
				if err != nil {
					return fail("computing again", err)
				}
				a.Software = software
				if asJSON {
					err = cli.PrintJSON(c.OutOrStdout(), a)
				} else {
					err = a.writeText(c.OutOrStdout())
				}
				if err == nil && len(a.Different) > 0 {
					return &cli.QuietError{Code: cli.ExitFailed}
				}
				return err
			}
			p, err := pick(log, args[0], number)
			if err != nil {
				return fail("computing again", err)
			}
			r, err := again(files, &p, revision, software)
			if err != nil {
				return fail("computing again", err)
			}
			if asJSON {
				err = cli.PrintJSON(c.OutOrStdout(), r)
			} else {
				err = r.writeText(c.OutOrStdout(), p.what())
			}
			if err == nil && !(float64(r.Largest) <= alike) {
				return &cli.QuietError{Code: cli.ExitFailed}
			}
			return err
		},
	}
	attemptFlag(c, &number)
	c.Flags().StringVar(&revision, "revision", "", "revision of limits to judge by, or a file (default: that of the attempt)")
	c.Flags().BoolVar(&all, "all", false, "every attempt with raw captures")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	choice.AddTo(c)
	return c
}

// again computes one attempt and judges it.
func again(files *evidence.Files, p *picked, revision, software string) (reestimated, error) {
	e, err := p.evidence(files)
	if err != nil {
		return reestimated{}, err
	}
	a, err := e.Again()
	if err != nil {
		return reestimated{}, err
	}
	j := &p.Judgement
	r := reestimated{Schema: reestimateSchema, Serial: p.serial, Attempt: p.Run.AttemptNo,
		Station: p.entry.Ref.Station, Generation: p.entry.Ref.Generation, Sequence: p.entry.Ref.Sequence,
		Software: p.Run.Software, SoftwareNow: software, Numbers: a.Numbers, Same: len(a.Differences) == 0, Largest: study.Number(a.Largest()),
		Differences: []difference{}, Outcome: string(p.Outcome), SoftBin: j.SoftBin, SoftName: j.SoftName}
	for _, d := range a.Differences {
		r.Differences = append(r.Differences, difference{d.What, study.Number(d.Recorded), study.Number(d.Now), study.Number(d.Relative()), d.New()})
	}
	slices.SortStableFunc(r.Differences, func(x, y difference) int { return cmp.Compare(float64(y.Relative), float64(x.Relative)) })
	l, err := limitsOf(files, cmp.Or(revision, p.Run.Limits.Rev))
	if err != nil {
		return r, err
	}
	if l.Product != p.Run.Product.Name {
		return r, fmt.Errorf("revision %.12s is of limits for %s, and the unit is a %s", l.Revision, l.Product, p.Run.Product.Name)
	}
	r.Judged = []judged{judge("recorded", l, p.Attempt, p.Set()), judge("now", l, p.Attempt, a.Set)}
	return r, nil
}

// limitsOf reads a file, or finds a revision in the log.
func limitsOf(files *evidence.Files, text string) (*limits.File, error) {
	if _, err := os.Stat(text); err == nil {
		data, err := os.ReadFile(text)
		if err != nil {
			return nil, err
		}
		l, err := limits.Read(filepath.Base(text), data)
		if err != nil {
			return nil, fmt.Errorf("the limits file cannot be used:\n%w", err)
		}
		return l, nil
	}
	l, err := files.Limits(text)
	if errors.Is(err, evidence.ErrNoRevision) {
		return nil, fmt.Errorf("%w; nor is there a file of that name", err)
	}
	return l, err
}

func judge(numbers string, l *limits.File, a *record.Attempt, s quantity.Set) judged {
	j := evidence.Judge(l, a, s)
	out := judged{Numbers: numbers, Limits: l.Revision, Outcome: j.Outcome, SoftBin: j.SoftBin, SoftName: j.SoftName, HardBin: j.HardBin,
		Disposition: j.Disposition, Lines: []judgedLine{}}
	n := func(v float64) study.Number { return study.Number(v) }
	for _, x := range j.Lines {
		out.Lines = append(out.Lines, judgedLine{string(x.Name), x.Unit, n(x.V), n(x.U), n(x.Low), n(x.High), n(x.K), x.Measured, x.Passed, n(x.PConforming)})
	}
	return out
}

// shown is how many differences people see.
const shown = 20

func (r *reestimated) writeText(w io.Writer, what string) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "%s\n", what)
	fmt.Fprintf(t, "  recorded by\t%s\n  computed again by\t%s\n", r.Software, r.SoftwareNow)
	if r.Same {
		fmt.Fprintf(t, "  numbers\t%d, all the same to the last bit\n", r.Numbers)
	} else {
		added := 0
		for _, d := range r.Differences {
			if d.New {
				added++
			}
		}
		fmt.Fprintf(t, "  numbers\t%d, of which %d are others, by %.2g of their size at most; %d more are not on record\n", r.Numbers, len(r.Differences)-added, float64(r.Largest), added)
	}
	fmt.Fprintf(t, "  verdict on record\t%s, soft bin %d %s\n", r.Outcome, r.SoftBin, r.SoftName)
	for _, j := range r.Judged {
		fmt.Fprintf(t, "  %s, by limits %.12s\t%s, soft bin %d %s\n", j.Numbers, j.Limits, j.Outcome, j.SoftBin, j.SoftName)
	}
	if o := record.Outcome(r.Outcome); o != record.Passed && o != record.Failed {
		fmt.Fprintf(t, "  \tthe attempt ended as %s: no limit decided it\n", r.Outcome)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	t = tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	if !r.Same {
		fmt.Fprintf(t, "\nwhat\ton record\tnow\tdifference\n")
		for _, d := range r.Differences[:min(shown, len(r.Differences))] {
			apart := fmt.Sprintf("%.2g", float64(d.Relative))
			if d.New {
				apart = "new"
			}
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", d.What, bound(d.Recorded), bound(d.Now), apart)
		}
		if more := len(r.Differences) - shown; more > 0 {
			fmt.Fprintf(t, "and %d more; --json has all\n", more)
		}
	}
	for _, j := range r.Judged {
		for _, l := range j.Lines {
			if !l.Passed {
				fmt.Fprintf(t, "%s\t%s\t%.6g ± %.2g %s\t[%s … %s]\tk %.3g\tFAILED\n", j.Numbers, l.Name, float64(l.Value), float64(l.U), l.Unit, bound(l.Lower), bound(l.Upper), float64(l.K))
			}
		}
	}
	return t.Flush()
}

func bound(v study.Number) string {
	if !v.Defined() {
		return "-"
	}
	return fmt.Sprintf("%.7g", float64(v))
}

// everything computes all attempts again that a filter picks.
func everything(ctx context.Context, log *store.Follower, files *evidence.Files, f store.Filter, talk io.Writer) (reestimatedAll, error) {
	a := reestimatedAll{Schema: "panecal.reestimate.all/1", Different: []string{}}
	picked := map[uint64]bool{}
	if err := log.Attempts(f, nil, func(r *store.Row) error { picked[r.Sequence] = true; return ctx.Err() }); err != nil {
		return a, err
	}
	file, ok := talk.(*os.File)
	show, told, done := ok && term.IsTerminal(file.Fd()), time.Time{}, 0
	err := log.Records(store.Kind, record.KindAttempt.String(), func(entry record.Entry) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		t, ok := entry.Body.(*record.Attempt)
		if !ok || !picked[entry.Ref.Sequence] {
			return nil
		}
		if done++; show && time.Since(told) > 200*time.Millisecond {
			told = time.Now()
			fmt.Fprintf(talk, "\r%d of %d attempts ", done, len(picked))
		}
		e, err := files.Of(t)
		if errors.Is(err, evidence.ErrNoCaptures) {
			a.NoCaptures++
			return nil
		}
		if err != nil {
			return fmt.Errorf("record %s: %w", entry.Ref, err)
		}
		r, err := e.Again()
		if err != nil {
			return fmt.Errorf("record %s: %w", entry.Ref, err)
		}
		a.Attempts++
		a.Numbers += r.Numbers
		most := r.Largest()
		a.Largest = max(a.Largest, study.Number(most))
		switch {
		case len(r.Differences) == 0:
			a.Same++
		case most <= alike:
			a.Alike++
		default:
			a.Different = append(a.Different, entry.Ref.String())
		}
		return nil
	})
	if show {
		fmt.Fprintf(talk, "\r%30s\r", "")
	}
	return a, err
}

func (a *reestimatedAll) writeText(w io.Writer) error {
	_, err := fmt.Fprintf(w, "%d attempts computed again by %s, %d numbers\n%d the same to the last bit, %d within 1e-9, %d different; largest difference %.2g\n%d attempts without raw captures\n",
		a.Attempts, a.Software, a.Numbers, a.Same, a.Alike, len(a.Different), float64(a.Largest), a.NoCaptures)
	for _, r := range a.Different[:min(shown, len(a.Different))] {
		if err == nil {
			_, err = fmt.Fprintf(w, "  different: record %s\n", r)
		}
	}
	return err
}
