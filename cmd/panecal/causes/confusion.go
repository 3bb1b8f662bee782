package causes

import (
	"context"
	"fmt"
	"io"
	"strings"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/station/cause"
)

const confusionSchema = "panecal.confusion/1"

// confusion is how calls on simulated units came out.
type confusion struct {
	Schema  string       `json:"schema"`
	Faulty  int          `json:"faulty"`
	Healthy int          `json:"healthy"`
	Codes   []cause.Code `json:"codes"`
	Matrix  [][]int      `json:"matrix"` // [true cause][most probable cause]

	Failing    int     `json:"failing"`     // faulty units that fail the sample limits, or whose captures are bad
	ToldApart  int     `json:"told_apart"`  // of those, with a cause as probable as Sure
	Right      int     `json:"right"`       // of those, the true one
	Sure       int     `json:"sure"`        // of all calls, with a probability of 0.9 or more
	SureWrong  int     `json:"sure_wrong"`  // of those
	Accused    int     `json:"accused"`     // healthy units with a fault at more than 0.5
	Brier      float64 `json:"brier"`       // mean over units of the sum over causes of (probability − truth)²
	Tried      int     `json:"experiments"` // named and carried out
	Separated  int     `json:"separated"`   // of those, the true one of the two causes was told
	Experiment []lab   `json:"by_experiment"`
	Calls      []band  `json:"reliability"`
	Caveat     string  `json:"caveat"`
}

// band is a line of the reliability table.
type band struct {
	From  float64 `json:"from"`
	To    float64 `json:"to"`
	Calls int     `json:"calls"`
	Mean  float64 `json:"mean_probability"`
	Right float64 `json:"right"` // share
}

// lab is one experiment.
type lab struct {
	Name      string `json:"experiment"`
	Tried     int    `json:"tried"`
	Separated int    `json:"separated"`
}

// accusedAbove is the probability above which a healthy unit counts as accused.
const accusedAbove = 0.5

func (t *trial) sum() *confusion {
	codes := cause.Codes()
	at := map[cause.Code]int{}
	c := &confusion{Schema: confusionSchema, Codes: codes, Experiment: []lab{}, Calls: []band{}, Caveat: caveat}
	for i, code := range codes {
		at[code] = i
		c.Matrix = append(c.Matrix, make([]int, len(codes)))
	}
	for _, lowest := range []float64{0, 0.3, 0.5, 0.7, 0.9, 0.99} {
		if n := len(c.Calls); n > 0 {
			c.Calls[n-1].To = lowest
		}
		c.Calls = append(c.Calls, band{From: lowest, To: 1})
	}
	labs := map[string]*lab{}
	for i := range t.calls {
		k := &t.calls[i]
		top := k.top()
		healthy := k.truth.code == cause.None
		c.Matrix[at[k.truth.code]][at[top.Code]]++
		if healthy {
			if c.Healthy++; top.Code != cause.None && top.Probability > accusedAbove {
				c.Accused++
			}
		} else {
			c.Faulty++
		}
		if !healthy && k.fails {
			if c.Failing++; k.ranking.ToldApart {
				if c.ToldApart++; k.right() {
					c.Right++
				}
			}
		}
		if top.Probability >= 0.9 {
			if c.Sure++; !k.right() {
				c.SureWrong++
			}
		}
		for _, r := range k.ranking.Causes {
			truth := 0.0
			if r.Code == k.truth.code {
				truth = 1
			}
			c.Brier += (r.Probability - truth) * (r.Probability - truth) / float64(len(t.calls))
		}
		for j := range c.Calls {
			if b := &c.Calls[j]; top.Probability >= b.From && (top.Probability < b.To || b.To == 1) {
				b.Calls++
				b.Mean += top.Probability
				if k.right() {
					b.Right++
				}
			}
		}
		if k.tried {
			l := labs[k.ranking.Next.Name]
			if l == nil {
				l = &lab{Name: k.ranking.Next.Name}
				labs[l.Name] = l
			}
			c.Tried++
			l.Tried++
			if k.separated() {
				c.Separated++
				l.Separated++
			}
		}
	}
	for j := range c.Calls {
		if b := &c.Calls[j]; b.Calls > 0 {
			b.Mean /= float64(b.Calls)
			b.Right /= float64(b.Calls)
		}
	}
	for _, e := range cause.Experiments() {
		if l := labs[e.Name]; l != nil {
			c.Experiment = append(c.Experiment, *l)
		}
	}
	return c
}

// tried runs a trial of so many units, half of them healthy, and tells how far it
// is.
func tried(ctx context.Context, table *cause.Table, units int, talk io.Writer) (*confusion, error) {
	told := func(int, int) {}
	if file, ok := cli.Terminal(talk); ok {
		told = func(done, of int) {
			if done%10 == 0 || done == of {
				fmt.Fprintf(file, "\rsimulated units: %d of %d", done, of)
			}
			if done == of {
				fmt.Fprintln(file)
			}
		}
	}
	t, err := newTrial(ctx, table, trying(), usualUnits)
	if err != nil {
		return nil, err
	}
	if err := t.run(ctx, units/2, units-units/2, told); err != nil {
		return nil, err
	}
	return t.sum(), nil
}

func percent(n, of int) string {
	if of == 0 {
		return "-"
	}
	return fmt.Sprintf("%.1f %%", 100*float64(n)/float64(of))
}

func (c *confusion) writeText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%d simulated units with a fault of any size, %d healthy ones; another scatter\nlaw, another pulse and larger departures than were learnt.\n\n%-11s", c.Faulty, c.Healthy, "true \\ told")
	for _, code := range c.Codes {
		fmt.Fprintf(&b, "%5.4s", string(code))
	}
	b.WriteString("\n")
	for i, code := range c.Codes {
		fmt.Fprintf(&b, "%-11s", code)
		for _, n := range c.Matrix[i] {
			if n == 0 {
				b.WriteString("    .")
				continue
			}
			fmt.Fprintf(&b, "%5d", n)
		}
		b.WriteString("\n")
	}
	fmt.Fprintf(&b, "\nOf %d faulty units that fail the sample limits %s are told apart, %s of these\nrightly. Of %d calls at 0.9 or more %s are wrong. Healthy units accused: %d of %d.\nBrier score %.3f. Of %d experiments carried out %s told the true cause.\n",
		c.Failing, percent(c.ToldApart, c.Failing), percent(c.Right, c.ToldApart), c.Sure, percent(c.SureWrong, c.Sure), c.Accused, c.Healthy, c.Brier, c.Tried, percent(c.Separated, c.Tried))
	b.WriteString("\nprobability     calls   mean  right\n")
	for _, l := range c.Calls {
		fmt.Fprintf(&b, "%.2f to %.2f  %7d  %5.3f  %5.3f\n", l.From, l.To, l.Calls, l.Mean, l.Right)
	}
	fmt.Fprintf(&b, "\n%s\n", c.Caveat)
	_, err := io.WriteString(w, b.String())
	return err
}
