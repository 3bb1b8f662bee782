package limits

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"
)

// ReportSchema names the form of a [Report] as JSON.
const ReportSchema = "panecal.limits_check/1"

// Report says what a limits file will do to units that are as its typical
// values say. Its JSON form is stable; numbers that cannot be told are null.
type Report struct {
	Schema    string     `json:"schema"` // ReportSchema
	Product   string     `json:"product"`
	Revision  string     `json:"revision"`
	Signed    bool       `json:"signed"`
	Author    string     `json:"author"`
	Approver  string     `json:"approver"`
	Reason    string     `json:"reason"`
	Effective *time.Time `json:"effective"` // null: at once
	// UnitsFail is the share of all units that fail any limit. What one unit's
	// quantities have in common is not known: Value takes none of it, Lower
	// and Upper hold whatever it is. Limits without typical values count as
	// if nothing failed them; Unforecast is their number.
	UnitsFail  ShareReport   `json:"units_fail"`
	Unforecast int           `json:"limits_without_typical"`
	Limits     []LimitReport `json:"limits"`
	Bins       []BinReport   `json:"bins"`
	// FalseReject adds up those of the limits: at most this share of all
	// units conforms and fails, whatever the quantities share.
	FalseReject float64   `json:"false_reject_at_most"`
	Problems    []Problem `json:"problems"`
}

// ShareReport is a share of all units and its bounds.
type ShareReport struct {
	Value float64 `json:"value"`
	Lower float64 `json:"lower"`
	Upper float64 `json:"upper"`
}

// LimitReport is one limit. Accept is what a measured value is held against
// with typical_u: the specification limits less the guard bands. Shares are
// of all units, whose true values are normal: typical_sd from unit to unit,
// typical_zone_sd from zone to zone of one unit; the forecast takes the worst
// of the zones. FalseReject and FalseAccept are the global risks of JCGM
// 106:2012, 9.5. Without a typical_sd it is 0.
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
	ZoneSD      *float64 `json:"typical_zone_sd"`
	Zones       int      `json:"zones"`      // 0 where the file does not say
	Conforming  *float64 `json:"conforming"` // inside the specification limits
	Fail        *float64 `json:"fail"`
	FalseReject *float64 `json:"false_reject"` // conforms and fails
	FalseAccept *float64 `json:"false_accept"` // does not conform and passes
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
	passing := 1.0
	for i := range f.Limits {
		one, problems := check(&f.Limits[i])
		r.Limits = append(r.Limits, one)
		for _, p := range problems {
			r.Problems = append(r.Problems, Problem{one.Quantity, p})
		}
		if one.Fail == nil {
			r.Unforecast++
			continue
		}
		passing *= 1 - *one.Fail
		r.UnitsFail.Lower = max(r.UnitsFail.Lower, *one.Fail)
		r.UnitsFail.Upper += *one.Fail
		r.FalseReject += *one.FalseReject
	}
	r.UnitsFail.Value, r.UnitsFail.Upper = 1-passing, min(r.UnitsFail.Upper, 1)
	r.FalseReject = min(r.FalseReject, 1)
	for _, b := range f.Bins {
		r.Bins = append(r.Bins, BinReport{b.Number, b.Name, b.Code, b.Hard.Number, b.Hard.Name, b.Disposition, b.Priority, b.Instruction.Plain})
	}
	return r
}

// muchRejected is the share of units, good and yet failed, from which a limit
// is pointed out.
const muchRejected = 0.01

func check(l *Limit) (LimitReport, []string) {
	r := LimitReport{Quantity: string(l.Name), Unit: l.Unit, Low: l.Low, High: l.High, K: l.K, Optional: l.Optional,
		Typical: l.Typical, TypicalU: l.TypicalU, TypicalSD: l.TypicalSD, ZoneSD: l.TypicalZoneSD, Zones: l.Zones}
	if l.LowBin != nil {
		r.LowBin = l.LowBin.Name
	}
	if l.HighBin != nil {
		r.HighBin = l.HighBin.Name
	}
	accept := l.acceptance()
	r.AcceptLow, r.AcceptHigh = finite(accept.Low), finite(accept.High)
	var problems []string
	if l.highest < 0 {
		problems = append(problems, fmt.Sprintf("k = %v cannot be tried on past units from their rows, only k = 0, 1, 2, 3", l.K))
	}
	p, ok := l.population()
	if !ok {
		return r, append(problems, "no typical and typical_u: how many units fail is not known")
	}
	if l.Zones == 0 || l.Zones > 1 && l.TypicalZoneSD == nil {
		problems = append(problems, "no zones and typical_zone_sd: the worst of many zones fails more often than this forecast says")
	}
	f := p.in(Interval{bound(l.Low), bound(l.High)}.closed(), accept.closed())
	r.Conforming, r.Fail, r.FalseReject, r.FalseAccept = &f.conforming, &f.fail, &f.falseReject, &f.falseAccept
	if p.mean < accept.Low || p.mean > accept.High {
		problems = append(problems, "a typical unit fails: typical is not inside the acceptance limits")
	} else if f.falseReject > muchRejected {
		problems = append(problems, fmt.Sprintf("%s of all units would be good and fail", share(&f.falseReject)))
	}
	return r, problems
}

func finite(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// WriteText writes the report for people; the first line says how many units
// will fail.
func (r Report) WriteText(w io.Writer) error {
	var b strings.Builder
	b.WriteString(r.headline() + "\n\n")
	signed := "not signed"
	if r.Signed {
		signed = "signed by " + r.Author + " and " + r.Approver
	}
	fmt.Fprintf(&b, "limits for %s, revision %.12s, %s\n\n", r.Product, r.Revision, signed)
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "quantity\taccepted\tfail\tgood, fail\tbad, pass")
	for _, l := range r.Limits {
		fmt.Fprintf(t, "%s\t%s to %s\t%s\t%s\t%s\n", l.Quantity, number(l.AcceptLow), number(l.AcceptHigh),
			share(l.Fail), share(l.FalseReject), share(l.FalseAccept))
	}
	fmt.Fprintln(t, "\nquantity\tlow\thigh\tk\tunit\ttypical")
	for _, l := range r.Limits {
		fmt.Fprintf(t, "%s\t%s\t%s\t%v\t%s\t%s\n", l.Quantity, number(l.Low), number(l.High), l.K, l.Unit, typical(l))
	}
	t.Flush()
	fmt.Fprintf(&b, "\ngood and yet failed, by any limit: at most %s of all units; so are all shares here\n\n", share(&r.FalseReject))
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

// headline says how many units will fail, and which limit fails the most.
func (r Report) headline() string {
	known := len(r.Limits) - r.Unforecast
	if known == 0 {
		return "How many units will fail is not known: no limit has typical and typical_u."
	}
	text := "Units that will fail: " + share(&r.UnitsFail.Value)
	if low, high := share(&r.UnitsFail.Lower), share(&r.UnitsFail.Upper); low != high {
		text += fmt.Sprintf(" (%s to %s)", low, high)
	}
	worst := slices.MaxFunc(r.Limits, func(a, b LimitReport) int { return cmp.Compare(orZero(a.Fail), orZero(b.Fail)) })
	if orZero(worst.Fail) > 0 {
		text += fmt.Sprintf(", most by %s", worst.Quantity)
	}
	if r.Unforecast > 0 {
		text += fmt.Sprintf("; %d of %d limits have no typical values and are not counted", r.Unforecast, len(r.Limits))
	}
	return text + "."
}

func orZero(v *float64) float64 {
	if v == nil {
		return 0
	}
	return *v
}

func typical(l LimitReport) string {
	text := number(l.Typical)
	if l.TypicalU != nil {
		text += " u " + number(l.TypicalU)
	}
	if l.TypicalSD != nil {
		text += " sd " + number(l.TypicalSD)
	}
	if l.ZoneSD != nil {
		text += fmt.Sprintf(" zone sd %s (%d)", number(l.ZoneSD), l.Zones)
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
	case *v == 0:
		return "0"
	case *v < 1e-9: // what Risk can tell
		return "under 0.001 ppm"
	case *v < 1e-4:
		return plain(*v*1e6) + " ppm"
	case *v > 0.999 && *v < 1: // not 100 %
		return "over 99.9 %"
	}
	return plain(*v*100) + " %"
}

// plain writes two figures, without an exponent.
func plain(v float64) string {
	decimals := 1 - int(math.Floor(math.Log10(v)))
	if math.Round(v*math.Pow10(decimals)) >= 100 { // 9.96 is 10
		decimals--
	}
	return strconv.FormatFloat(v, 'f', max(decimals, 0), 64)
}
