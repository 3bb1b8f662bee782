package limits

import (
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"
	"time"

	"gonum.org/v1/gonum/stat/distuv"
)

// ReportSchema names the form of a [Report] as JSON.
const ReportSchema = "panecal.limits_check/1"

// Report says what a limits file will do to units that are as its typical
// values say. Its JSON form is stable; numbers that cannot be told are null.
type Report struct {
	Schema    string        `json:"schema"` // ReportSchema
	Product   string        `json:"product"`
	Revision  string        `json:"revision"`
	Signed    bool          `json:"signed"`
	Author    string        `json:"author"`
	Approver  string        `json:"approver"`
	Reason    string        `json:"reason"`
	Effective *time.Time    `json:"effective"` // null: at once
	Limits    []LimitReport `json:"limits"`
	Bins      []BinReport   `json:"bins"`
	// FalseReject adds up those of the limits: at most this share of all
	// good units fails, whatever the quantities share.
	FalseReject float64   `json:"false_reject_at_most"`
	Problems    []Problem `json:"problems"`
}

// LimitReport is one limit. Accept is what a measured value is held against
// with typical_u: the specification limits less the guard bands. FalseReject
// and FalseAccept are shares of all units (JCGM 106:2012, 9.5) whose true
// values are normal around typical with typical_sd; without typical_sd every
// unit is typical. A quantity with zones is taken as one value, its worst.
type LimitReport struct {
	Quantity    string   `json:"quantity"`
	Unit        string   `json:"unit"`
	Low         *float64 `json:"low"`
	High        *float64 `json:"high"`
	K           float64  `json:"k"`
	Optional    bool     `json:"optional"`
	LowBin      string   `json:"low_bin"`
	HighBin     string   `json:"high_bin"`
	AcceptLow   *float64 `json:"accept_low"`
	AcceptHigh  *float64 `json:"accept_high"`
	Typical     *float64 `json:"typical"`
	TypicalU    *float64 `json:"typical_u"`
	TypicalSD   *float64 `json:"typical_sd"`
	Conforming  *float64 `json:"conforming"` // share of units inside the specification limits
	FalseReject *float64 `json:"false_reject"`
	FalseAccept *float64 `json:"false_accept"`
}

// BinReport is one soft bin.
type BinReport struct {
	Number      int    `json:"number"`
	Name        string `json:"name"`
	Code        string `json:"code"`
	HardBin     int    `json:"hard_bin"`
	HardName    string `json:"hard_bin_name"`
	Disposition string `json:"disposition"`
	Priority    int    `json:"priority"`
	Instruction string `json:"instruction"`
}

// Problem is what a file may say and yet is worth a second look.
type Problem struct {
	Quantity string `json:"quantity"`
	Text     string `json:"text"`
}

// Check works out the Report of a file.
func Check(f *File) Report {
	r := Report{Schema: ReportSchema, Product: f.Product, Revision: f.Revision, Signed: f.Signed,
		Author: f.Author, Approver: f.Approver, Reason: f.Reason,
		Limits: []LimitReport{}, Bins: []BinReport{}, Problems: []Problem{}}
	if !f.Effective.IsZero() {
		utc := f.Effective.UTC()
		r.Effective = &utc
	}
	for i := range f.Limits {
		one, problems := check(&f.Limits[i])
		r.Limits = append(r.Limits, one)
		for _, p := range problems {
			r.Problems = append(r.Problems, Problem{one.Quantity, p})
		}
		if one.FalseReject != nil {
			r.FalseReject += *one.FalseReject
		}
	}
	r.FalseReject = min(r.FalseReject, 1)
	for _, b := range f.Bins {
		r.Bins = append(r.Bins, BinReport{b.Number, b.Name, b.Code, b.Hard.Number, b.Hard.Name, b.Disposition, b.Priority, b.Instruction})
	}
	return r
}

// muchRejected is the share of good units from which a limit is pointed out.
const muchRejected = 0.01

func check(l *Limit) (LimitReport, []string) {
	r := LimitReport{Quantity: string(l.Name), Unit: l.Unit, Low: l.Low, High: l.High, K: l.K, Optional: l.Optional,
		Typical: l.Typical, TypicalU: l.TypicalU, TypicalSD: l.TypicalSD}
	if l.LowBin != nil {
		r.LowBin = l.LowBin.Name
	}
	if l.HighBin != nil {
		r.HighBin = l.HighBin.Name
	}
	guard := l.K * bound(l.TypicalU)
	if l.K == 0 {
		guard = 0
	}
	r.AcceptLow, r.AcceptHigh = finite(bound(l.Low)+guard), finite(bound(l.High)-guard)
	var problems []string
	if l.highest < 0 {
		problems = append(problems, fmt.Sprintf("k = %v cannot be tried on past units from their rows, only k = 0, 1, 2, 3", l.K))
	}
	if l.Typical == nil || l.TypicalU == nil {
		return r, append(problems, "no typical and typical_u: false rejects are not known")
	}
	spec := Interval{bound(l.Low), bound(l.High)}
	accept := Interval{bound(r.AcceptLow), bound(r.AcceptHigh)}
	within, reject, pass := shares(*l.Typical, bound(l.TypicalSD), *l.TypicalU, spec, accept)
	r.Conforming, r.FalseReject, r.FalseAccept = &within, &reject, &pass
	if *l.Typical < accept.Low || *l.Typical > accept.High {
		problems = append(problems, "a typical unit fails: typical is not inside the acceptance limits")
	} else if reject > muchRejected {
		problems = append(problems, fmt.Sprintf("%.2g %% of all units would be good and fail", 100*reject))
	}
	return r, problems
}

// shares gives the share of conforming units and the two risks for true
// values that are normal, or all the same where sd is 0 or NaN.
func shares(typical, sd, u float64, spec, accept Interval) (conforming, falseReject, falseAccept float64) {
	if sd > 0 {
		prior := distuv.Normal{Mu: typical, Sigma: sd}
		falseAccept, falseReject = Risk(prior, u, spec, accept)
		return Conforming(typical, sd, spec.Low, spec.High), falseReject, falseAccept
	}
	// With the acceptance limits for the specification limits, this is the
	// probability that a measurement of the typical unit is rejected.
	rejected := outside(typical, u, accept.Low, accept.High)
	if outside(typical, 0, spec.Low, spec.High) == 0 {
		return 1, rejected, 0
	}
	return 0, 0, 1 - rejected
}

func finite(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// WriteText writes the report for people.
func (r Report) WriteText(w io.Writer) error {
	var b strings.Builder
	signed := "not signed"
	if r.Signed {
		signed = "signed by " + r.Author + " and " + r.Approver
	}
	fmt.Fprintf(&b, "limits for %s, revision %.12s, %s\n\n", r.Product, r.Revision, signed)
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "quantity\tunit\tlow\thigh\tk\taccepted\ttypical\tgood units failed\tbad units passed")
	for _, l := range r.Limits {
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%v\t%s\t%s\t%s\t%s\n", l.Quantity, l.Unit, number(l.Low), number(l.High), l.K,
			number(l.AcceptLow)+" to "+number(l.AcceptHigh), typical(l), share(l.FalseReject), share(l.FalseAccept))
	}
	t.Flush()
	fmt.Fprintf(&b, "\ngood units failed by any limit: at most %s\n\n", share(&r.FalseReject))
	t = tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "soft bin\tname\tcode\thard bin\tdisposition\tpriority\tinstruction")
	for _, s := range r.Bins {
		fmt.Fprintf(t, "%d\t%s\t%s\t%d %s\t%s\t%d\t%s\n", s.Number, s.Name, s.Code, s.HardBin, s.HardName, s.Disposition, s.Priority, s.Instruction)
	}
	t.Flush()
	if len(r.Problems) > 0 {
		b.WriteString("\nworth a second look:\n")
	}
	for _, p := range r.Problems {
		fmt.Fprintf(&b, "  %s: %s\n", p.Quantity, p.Text)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func typical(l LimitReport) string {
	if l.Typical == nil {
		return "-"
	}
	text := number(l.Typical)
	if l.TypicalU != nil {
		text += " u " + number(l.TypicalU)
	}
	if l.TypicalSD != nil {
		text += " sd " + number(l.TypicalSD)
	}
	return text
}

func number(v *float64) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf("%.6g", *v)
}

// share writes a share of units in per cent, or in parts per million where
// that is easier to read.
func share(v *float64) string {
	switch {
	case v == nil:
		return "-"
	case *v < 1e-9: // what Risk can tell
		return "under 0.001 ppm"
	case *v < 1e-4:
		return fmt.Sprintf("%.2g ppm", *v*1e6)
	}
	return fmt.Sprintf("%.2g %%", *v*100)
}
