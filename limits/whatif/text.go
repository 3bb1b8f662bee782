package whatif

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"text/tabwriter"

	"example.org/panecal/limits/visible"
)

// mostChanged is how many units that change bin a text lists.
const mostChanged = 20

// WriteText writes the answer for people.
func (a Answer) WriteText(w io.Writer) error {
	var b bytes.Buffer
	t := tabwriter.NewWriter(&b, 0, 8, 2, ' ', 0)
	fmt.Fprintf(t, "limits of %s %.12s on %d attempts, %d of them first ones of production\n", a.Product, a.Limits, a.Attempts, a.First)
	if a.Whole {
		fmt.Fprintln(t, "every record was read: rows do not keep the file's guard factor")
	}
	fmt.Fprintf(t, "\nfirst-pass yield\tbefore %s\tafter %s\n", percent(a.Before.FirstPass.Value), a.After.FirstPass.words())
	if a.Unknown > 0 {
		fmt.Fprintf(t, "  %d need what was never measured\n", a.Unknown)
	}
	fmt.Fprint(t, "\nbin\tname\tbefore\tafter\n")
	count := func(list []Bin, of Bin) (n int, found bool) {
		for _, c := range list {
			if c.SoftBin == of.SoftBin && c.Name == of.Name {
				return c.Count, true
			}
		}
		return 0, false
	}
	for _, c := range a.Before.Bins {
		after, _ := count(a.After.Bins, c)
		fmt.Fprintf(t, "%d\t%s\t%d\t%d\n", c.SoftBin, visible.Text(c.Name), c.Count, after)
	}
	for _, c := range a.After.Bins {
		if _, found := count(a.Before.Bins, c); !found {
			fmt.Fprintf(t, "%d\t%s\t0\t%d\n", c.SoftBin, visible.Text(c.Name), c.Count)
		}
	}
	fmt.Fprintf(t, "\nof all units, 95 %%\taccepted falsely\trejected falsely\n")
	fmt.Fprintf(t, "all limits\t%s\t%s\tworst nest %s\n", a.FalseAccept.words(), a.FalseReject.words(), dash(visible.Text(a.WorstNest)))
	for _, r := range a.Risks {
		note := "worst nest " + dash(visible.Text(r.WorstNest))
		if !r.Resolved {
			note = "not resolved"
		}
		if quiet(r.FalseAccept) && quiet(r.FalseReject) && r.Resolved {
			continue
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\n", r.Name, r.FalseAccept.words(), r.FalseReject.words(), note)
	}
	fmt.Fprintf(t, "  zones from %d records; limits that are not listed do neither\n", a.Sample)
	fmt.Fprint(t, "\nguard factor\tfirst-pass yield\taccepted falsely\trejected falsely\n")
	for _, g := range a.Guards {
		fmt.Fprintf(t, "%d\t%s\t%s\t%s\n", g.K, percent(g.FirstPass.Value), percent(g.FalseAccept.Value), percent(g.FalseReject.Value))
	}
	fmt.Fprintf(t, "\n%d attempts change bin\n", len(a.Changed))
	for i, c := range a.Changed {
		if i == mostChanged {
			fmt.Fprintf(t, "  and %d more: --json lists all\n", len(a.Changed)-i)
			break
		}
		fmt.Fprintf(t, "  %s\tattempt %d\t%s to %s\n", visible.Text(c.Serial), c.Attempt, visible.Text(c.FromName), c.ToName)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}

// quiet says that a risk is nothing to tell.
func quiet(s Share) bool { return !(s.Value > 1e-9) && !(s.Upper > 0.02) }

func dash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

func percent(v Number) string {
	if math.IsNaN(float64(v)) {
		return "-"
	}
	return fmt.Sprintf("%.4g %%", 100*float64(v))
}

// words is a share with its bounds, where they differ.
func (s Share) words() string {
	if s.Lower == s.Upper || math.IsNaN(float64(s.Value)) {
		return percent(s.Value)
	}
	return fmt.Sprintf("%s (%.3g to %.3g)", percent(s.Value), 100*float64(s.Lower), 100*float64(s.Upper))
}
