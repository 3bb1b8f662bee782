package product

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"example.org/panecal/limits/release"
	"example.org/panecal/limits/strict"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/label"
)

// Kind is the kind of a product file among released files.
const Kind = "product"

// Read reads a product file; name is for messages only. The error is
// strict.Faults. Signatures are not verified: Signed is false.
func Read(name string, data []byte) (*Product, error) {
	var t productTable
	d, err := strict.Decode(name, data, &t)
	if err != nil {
		return nil, err
	}
	if key, problem, mend := t.Release.Problem(); key != "" {
		d.Report(problem, mend, "release", key)
	}
	r := reader{d}
	p := &Product{
		Name: t.Name, LimitsFile: t.Limits, Firmware: t.Firmware, Reports: t.Reports,
		Line:                 Line{Baud: t.Line.Baud, OpenText: t.Line.Open, CloseText: t.Line.Close},
		Retest:               Retest{MaxAttempts: t.Retest.MaxAttempts, AfterPass: t.Retest.AfterPass, MaxReworks: t.Retest.MaxReworks, Reworks: t.Retest.Reworks},
		CompensationAlwaysOn: t.CompensationAlwaysOn, MeasureAfterFailure: t.MeasureAfterFailure,
	}
	r.unit(&t)
	p.Capture.Empty = r.plan("empty", t.Capture.Empty)
	p.Capture.Target = r.plan("target", t.Capture.Target)
	p.Capture.Verify = r.plan("verify", t.Capture.Verify)
	p.RestartEvery, p.RestartByPower = r.restart(t.Constants.Restart), t.Constants.Power
	p.WarmUp = r.warmUp(t.WarmUp)
	p.Label = r.label(t.Label)
	p.Setup, p.Field = r.setup(&t)
	p.Requirement = r.requirement(&t)
	if err := d.Err(); err != nil {
		return nil, err
	}
	// What is left can only be a mismatch between keys.
	if _, err := estimate.New(p.Setup); err != nil {
		d.Report(err.Error(), "the estimator does not take this product; change what it names")
		return nil, d.Err()
	}
	if p.Document, err = release.Seal(Kind, d.Content(), t.Release); err != nil {
		return nil, fmt.Errorf("reading %s: %w", name, err)
	}
	return p, nil
}

// reader reports faults of one file.
type reader struct{ d *strict.Document }

// positive reports a number that is not above 0.
func (r reader) positive(v float64, path ...string) {
	if !(v > 0) {
		r.d.Report(fmt.Sprintf("%s is not above 0", path[len(path)-1]), "write a number above 0", path...)
	}
}

// oneOf reports a word that is none of those known.
func (r reader) oneOf(word string, known []string, path ...string) {
	if !slices.Contains(known, word) {
		key := path[len(path)-1]
		r.d.Report(fmt.Sprintf("%s cannot be %q", key, word), "write one of: "+strings.Join(known, ", "), path...)
	}
}

// unit checks what the product says of its units as devices.
func (r reader) unit(t *productTable) {
	if t.Name == "" {
		r.d.Report("the product has no name", "write what units say of themselves", "name")
	}
	if len(t.Firmware) == 0 {
		r.d.Report("no firmware is allowed", `write the versions that may be calibrated, such as firmware = ["1.4.0"]`, "firmware")
	}
	r.oneOf(t.Reports, []string{ReportsHistograms, ReportsSummary}, "reports")
	if t.Line.Baud < 1200 || t.Line.Baud > 12_000_000 {
		r.d.Report(fmt.Sprintf("%d Bd is no speed of a serial line", t.Line.Baud), "write baud = 921600", "line", "baud")
	}
	if t.Line.Open == "" && t.Line.Close != "" {
		r.d.Report("close without open", "add open = …, or take close out", "line", "close")
	}
	r.consoleText(t.Line.Open, "open")
	r.consoleText(t.Line.Close, "close")
	if t.Retest.MaxAttempts < 1 || t.Retest.MaxAttempts > 100 {
		r.d.Report("max_attempts is 1 to 100", "write max_attempts = 3: testing until it passes releases bad units", "retest", "max_attempts")
	}
	r.reworks(t.Retest)
}

// reworks checks the codes of what may be done to a unit: they are scanned after
// CMD REWORK, whose letters a keyboard scanner may send small.
func (r reader) reworks(t retestTable) {
	if t.MaxReworks < 0 || t.MaxReworks > 100 {
		r.d.Report("max_reworks is 0 to 100", "write max_reworks = 2, or leave it out for any number", "retest", "max_reworks")
	}
	if t.MaxReworks > 0 && len(t.Reworks) == 0 {
		r.d.Report("max_reworks counts reworks, and there are none", `add [retest.reworks] with code = "what was done"`, "retest", "max_reworks")
	}
	for code, text := range t.Reworks {
		if code == "" || len(code) > 20 || strings.Trim(code, "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-") != "" {
			r.d.Report(fmt.Sprintf("%q is no code", code), "write 1 to 20 capitals, digits and hyphens, such as WIPED", "retest", "reworks", code)
		}
		if text == "" {
			r.d.Report("what was done is not said", `write it in a few words, such as WIPED = "window wiped"`, "retest", "reworks", code)
		}
	}
}

// consoleText must be plain text for a console: packets begin and end with
// a zero byte, so it has none.
func (r reader) consoleText(text, key string) {
	const max = 200
	if len(text) > max || strings.IndexByte(text, 0) >= 0 {
		r.d.Report(fmt.Sprintf("%s is longer than %d bytes or has a zero byte", key, max), "write the line that the unit's console takes", "line", key)
	}
}

func (r reader) plan(key string, t planTable) Plan {
	const most = math.MaxInt32
	if t.Shots < 1 || t.Frames < 1 || t.Frames > 10_000 || t.Shots > most/int64(max(t.Frames, 1)) {
		r.d.Report(fmt.Sprintf("%d frames of %d shots are no capture", t.Frames, t.Shots),
			fmt.Sprintf("write shots (in each frame) and frames, from 1, at most %d shots in all", most), "capture", key)
	}
	return Plan(t)
}

// restart is how many units share one restart: every unit has its own where
// the file says nothing.
func (r reader) restart(v any) int {
	const most = 1000
	switch v := v.(type) {
	case nil:
		return 1
	case string:
		switch v {
		case "every":
			return 1
		case "never":
			return 0
		}
	case int64:
		if v >= 1 && v <= most {
			return int(v)
		}
	}
	r.d.Report(fmt.Sprintf("restart cannot be %v", v), fmt.Sprintf(`write restart = "every", restart = "never", or a whole number to %d for one unit in so many`, most), "constants", "restart")
	return 1
}

func (r reader) label(t labelTable) Label {
	l := Label{Pattern: t.Pattern, Check: label.Check(t.Check), Tie: t.Tie, Pairs: t.Pairs}
	var known []string
	for _, c := range label.Checks() {
		known = append(known, string(c))
	}
	r.oneOf(t.Check, known, "label", "check")
	r.oneOf(t.Tie, []string{TieUnit, TieList, TieFirst}, "label", "tie")
	if !l.Check.Known() {
		return l
	}
	rules, err := label.NewRules(t.Pattern, l.Check)
	if err != nil {
		r.d.Report(err.Error(), "write a regular expression for the whole serial", "label", "pattern")
		return l
	}
	l.Rules = rules
	r.pairs(l)
	return l
}

// pairs checks the list of an earlier operation: every serial a label that is
// taken here, no unit under two serials.
func (r reader) pairs(l Label) {
	switch {
	case l.Tie == TieList && len(l.Pairs) == 0:
		r.d.Report("tie is list, and there are no pairs", "add [label.pairs] with serial = unit identity", "label", "tie")
	case l.Tie != TieList && len(l.Pairs) > 0:
		r.d.Report("pairs are not used unless tie is list", `write tie = "list", or take the pairs out`, "label", "pairs")
	}
	serials := map[string]string{}
	for _, serial := range slices.SortedFunc(maps.Keys(l.Pairs), func(a, b string) int {
		return r.d.Order("label", "pairs", a) - r.d.Order("label", "pairs", b)
	}) {
		unit := l.Pairs[serial]
		if _, err := l.Rules.Parse(serial); err != nil {
			r.d.Report(err.Error(), "write the serial as on the label", "label", "pairs", serial)
		}
		if unit == "" {
			r.d.Report("no unit identity", "write what the unit says of itself", "label", "pairs", serial)
		} else if other, ok := serials[unit]; ok {
			r.d.Report(fmt.Sprintf("unit %s has serials %s and %s", unit, other, serial), "keep one of the two", "label", "pairs", serial)
		}
		serials[unit] = serial
	}
}
