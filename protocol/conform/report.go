package conform

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"example.org/panecal/limits/visible"
	"example.org/panecal/protocol"
)

// Schema names the JSON form of a report.
const Schema = "panecal.conform/1"

// Outcome says how a clause went.
type Outcome string

// Outcomes of a clause.
const (
	Passed   Outcome = "passed"
	Failed   Outcome = "failed"
	NotTried Outcome = "not tried"
	Inside   Outcome = "inside" // SPEC.md says that it cannot be tried through the line
	Note     Outcome = "note"   // the clause asks for nothing
)

// Result is one clause's line.
type Result struct {
	Clause  string   `json:"clause"`
	Title   string   `json:"title"`
	Outcome Outcome  `json:"outcome"`
	Tries   int      `json:"tries,omitempty"` // how often it was put to the test
	Why     string   `json:"why,omitempty"`   // of a failure, or of not being tried
	Bytes   []string `json:"bytes,omitempty"` // around the failure: "> sent", "< heard", hexadecimal
}

// Report is the outcome of a run.
type Report struct {
	Schema  string   `json:"schema"`
	Unit    string   `json:"unit"` // product, firmware, identity
	Seed    uint64   `json:"seed"` // of session numbers and random fetches
	Clauses []Result `json:"clauses"`
	Passed  int      `json:"passed"`
	Failed  int      `json:"failed"`
	Untried int      `json:"not_tried"`
}

// OK reports whether no clause failed.
func (r *Report) OK() bool { return r.Failed == 0 }

// Of returns the line of a clause; its outcome is "" for a number that
// SPEC.md does not have.
func (r *Report) Of(clause string) Result {
	for _, c := range r.Clauses {
		if c.Clause == clause {
			return c
		}
	}
	return Result{}
}

// count brings the sums up to date.
func (r *Report) count() {
	r.Passed, r.Failed, r.Untried = 0, 0, 0
	for _, c := range r.Clauses {
		switch c.Outcome {
		case Passed:
			r.Passed++
		case Failed:
			r.Failed++
		case NotTried:
			r.Untried++
		}
	}
}

// Merge puts the reports of several variants of one unit together: a clause
// failed if it failed in any, and passed if it passed in one.
func Merge(reports ...*Report) *Report {
	if len(reports) == 0 {
		return &Report{Schema: Schema}
	}
	rank := map[Outcome]int{Failed: 3, Passed: 2, NotTried: 1}
	all := *reports[0]
	all.Clauses = slices.Clone(all.Clauses)
	names := []string{all.Unit}
	for _, r := range reports[1:] {
		names = append(names, r.Unit)
		for i := range all.Clauses {
			have, more := &all.Clauses[i], r.Of(all.Clauses[i].Clause)
			tries := have.Tries + more.Tries
			if rank[more.Outcome] > rank[have.Outcome] {
				*have = more
			}
			have.Tries = tries
		}
	}
	all.Unit = strings.Join(names, " and ")
	all.count()
	return &all
}

// WriteText prints a line for each clause, the bytes under a failure, and
// the sums.
func (r *Report) WriteText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "unit  %s\n", visible.Text(r.Unit))
	for _, c := range r.Clauses {
		fmt.Fprintf(&b, "%-7s %-9s  %s", c.Clause, c.Outcome, c.Title)
		if c.Why != "" {
			fmt.Fprintf(&b, ": %s", visible.Text(c.Why))
		} else if c.Tries > 1 {
			fmt.Fprintf(&b, " (%d times)", c.Tries)
		}
		b.WriteByte('\n')
		for _, line := range c.Bytes {
			fmt.Fprintf(&b, "        %s\n", line)
		}
	}
	fmt.Fprintf(&b, "%d passed, %d failed, %d not tried\n", r.Passed, r.Failed, r.Untried)
	if _, err := io.WriteString(w, b.String()); err != nil {
		return fmt.Errorf("writing the report: %w", err)
	}
	return nil
}

func nameOf(id *protocol.Identity) string {
	return fmt.Sprintf("%s %s, identity %s", id.Product, id.Firmware, id.UnitID)
}
