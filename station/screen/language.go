package screen

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
	"example.org/panecal/station/label"
	"example.org/panecal/station/shift"
)

// Language holds every text that the operator may be shown, in one language.
// Codes, labels and the chains of errors stay as they are; what a limits file
// says is said in this language where the file has it. It is immutable.
type Language struct {
	name       string
	codes      map[station.Code]saying
	calls      map[station.Code][2]string // the block letters of codes of class Guide, and of scans that were refused
	retorts    map[shift.Code][2]string   // the block letters of replies that refuse an entry
	steps      map[station.Step]string    // at most 16 cells
	pages      map[shift.PageKind]pageText
	words      words
	people     peopleText
	fig        figureText
	quantities map[quantity.Name]outside
	because    map[station.Reason]string
	whys       map[label.Why]string // why a scan is no label
	faults     [faultKinds]string   // why what was entered is none
	layouts    map[label.Layout]string
}

// saying is a code's sentence and action.
type saying struct{ say, do string }

// pageText is what a page says: block letters, a sentence, and more lines.
type pageText struct {
	call [2]string
	say  string
	more []string
}

// words are the texts that no code stands for. Placeholders in braces.
type words struct {
	nest, or                                          string // a nest with a bare number, "A or B"
	pass, fail, hold                                  string // verdicts: short, for block letters
	release, rework, aside, scrap                     string // dispositions
	bin, shownAgain, record                           string
	last, lastUnits, from                             string // of the unit before in a nest, the newest results, "out of {nest}" in block letters
	unit, units, firstPass, perHour, takt, inBox, now string // counters
	failed, onHold, openHolds, reasons                string
	unsigned, audit, check, study, engineered         string // header
	checkUnit                                         string // in a nest
	entry, open, keys                                 string // footer
	waits, attempt, try, left, seconds                string // a nest's progress
	typeLabel, more, enlarge                          string
	stop, hint                                        string // line by line
	leaveHow, leaveAgain, oneRuns, manyRun            string
	nothingToSkip, skipAgain, busy                    string
	leaveCall, skipCall                               string // questions in block letters, two lines apart by " / "
	pageEntry, pageKeys                               string // footer of a page
	badBadge, badNumber, pageFirst, noLabelOpen       string
	badOrder, badLot, unitLabel                       string
	noEmitter, powerAgain, badRework                  string // what a page or a command label refuses
	unknownCommand, noted, reworked                   string
	scannerLost, scannerBack, notRecorded             string
	notMeasured, outOfLimits, between, seen           string // what a sentence may name
	character, endsAfter                              string // where a label is wrong
	settings, handOver                                string // lines of a page: what holds, of the shift
}

// Languages returns the names of the languages there are, ISO 639-1.
func Languages() []string { return []string{"en", "es", "de"} }

// NewLanguage returns the language of that name, and false if there is none.
func NewLanguage(name string) (*Language, bool) {
	switch name {
	case "en", "":
		return english(), true
	case "es":
		return spanish(), true
	case "de":
		return german(), true
	}
	return nil, false
}

// fill puts values into a text: fill("{n} units", "n", 3).
func fill(text string, pairs ...any) string {
	var olds []string
	for i, p := range pairs {
		s := fmt.Sprint(p)
		if i%2 == 0 {
			s = "{" + s + "}"
		}
		olds = append(olds, s)
	}
	return strings.NewReplacer(olds...).Replace(text)
}

// aloud is a nest's name as one says it: a bare letter or number gets the
// word before it. Several names are told apart by commas.
func (l *Language) aloud(name string) string {
	if names := strings.Split(name, ", "); len(names) > 1 {
		return l.aloud(names[0]) + strings.TrimPrefix(l.choice(name), names[0])
	}
	if n := len([]rune(name)); n == 1 || n == 2 {
		return fill(l.words.nest, "name", name)
	}
	return name
}

// choice says several names as a choice.
func (l *Language) choice(names string) string {
	if i := strings.LastIndex(names, ", "); i >= 0 {
		return names[:i] + l.words.or + names[i+2:]
	}
	return names
}

// sentence is a code as a whole sentence with its action.
func (l *Language) sentence(code station.Code, a station.Args) string {
	return strings.TrimSpace(l.say(code, a) + " " + l.do(code, a))
}

// say is a code's sentence, with the nest as one calls it. Labels
// stay as they are, also where a sentence begins with one.
func (l *Language) say(code station.Code, a station.Args) string {
	text, ok := l.codes[code]
	if !ok {
		return code.Say(a) // of a newer station
	}
	s := l.filled(strings.ReplaceAll(text.say, ". {nest}", ". "+capital(l.aloud(a.Nest))), a)
	if strings.HasPrefix(text.say, "{nest}") {
		return capital(s)
	}
	return s
}

// do is a code's action, with the nest as one calls it.
func (l *Language) do(code station.Code, a station.Args) string {
	text, ok := l.codes[code]
	if !ok {
		return code.Do(a)
	}
	return l.filled(text.do, a)
}

// filled puts the arguments into a text, as this language says them.
func (l *Language) filled(text string, a station.Args) string {
	return fill(text, "nest", l.aloud(a.Nest), "label", a.Label, "bin", a.Bin, "other", l.arg(a.Other), "detail", l.arg(a.Detail))
}

// arg says one thing that a sentence names.
func (l *Language) arg(a station.Arg) string {
	switch a := a.(type) {
	case nil:
		return ""
	case station.Step:
		return l.phase(a)
	case station.OutOfLimits:
		return l.outside(a)
	case station.BinName:
		return a.Text.In(l.name)
	case station.NestName:
		return l.aloud(string(a))
	case station.Between:
		return fill(l.words.between, "low", a.Low, "high", a.High)
	case station.Seen:
		return fill(l.words.seen, "label", a.Label, "unit", a.UnitID, "time", a.At.Format(station.SeenTime),
			"nest", l.aloud(a.Nest), "bin", a.Bin) + l.now(a.Where)
	case station.InBox:
		return fill(l.words.inBox, "box", string(a))
	case station.Both:
		return l.arg(a.First) + "; " + l.arg(a.Second)
	case station.Because:
		return fill(l.because[a.Reason], "a", l.arg(a.A), "b", l.arg(a.B))
	case station.Misread:
		return l.misread(a.Refusal)
	case label.Layout:
		return l.layouts[a]
	case Fault:
		return a.in(l.faults[a.Kind])
	}
	return a.String() // the same in every language
}

// now says where something lies, nothing where nobody knows.
func (l *Language) now(where station.Arg) string {
	if where == nil {
		return ""
	}
	return fill(l.words.now, "where", l.arg(where))
}

// outside says how a quantity does not hold its limit.
func (l *Language) outside(o station.OutOfLimits) string {
	words, ok := l.quantities[o.Name]
	switch {
	case !ok: // of a newer station
		return fill(l.words.outOfLimits, "name", o.Name)
	case o.Side == station.TooLow:
		return words.low
	case o.Side == station.TooHigh:
		return words.high
	case o.Side == station.NotMeasured:
		return fill(l.words.notMeasured, "name", words.name)
	}
	return fill(l.words.outOfLimits, "name", words.name)
}

// misread says why a scan is no label, and where. The pattern that it should
// fit is the engineer's.
func (l *Language) misread(r label.Refusal) string {
	text := l.whys[r.Why]
	switch {
	case r.At > len(r.Text):
		text += ": " + fill(l.words.endsAfter, "text", label.Show(r.Text), "n", len(r.Text))
	case r.At > 0:
		text += ": " + fill(l.words.character, "n", r.At, "text", label.Show(r.Text), "c", label.Show(r.Text[r.At-1:r.At]))
	}
	return text
}

// phase says a step to the operator: what the nest does, or what it waits
// for.
func (l *Language) phase(s station.Step) string {
	if text, ok := l.steps[s]; ok {
		return text
	}
	return s.String()
}

// disposition says what happens with a unit.
func (l *Language) disposition(d station.Disposition) string {
	switch d {
	case station.Release:
		return l.words.release
	case station.Rework:
		return l.words.rework
	case station.Hold:
		return l.words.aside
	case station.Scrap:
		return l.words.scrap
	}
	return string(d)
}

// disposed is the disposition of a verdict; a check unit has none.
func (l *Language) disposed(v *station.Verdict) string {
	if v.Purpose == station.Check {
		return ""
	}
	return l.disposition(v.Disposition)
}

// purpose says what the station runs for, where it is not production.
func (l *Language) purpose(p station.Purpose) string {
	switch p {
	case station.Production:
		return ""
	case station.Audit:
		return l.words.audit
	case station.Check:
		return l.words.check
	case station.Study:
		return l.words.study
	case station.Engineering:
		return l.words.engineered
	}
	return string(p)
}

// instruction is what a verdict tells the hands: as the limits file has it in
// this language, or the code's action.
func (l *Language) instruction(v *station.Verdict, a station.Args) string {
	switch {
	case v.Purpose == station.Check && v.Outcome == station.Passed:
		return l.do(station.HandsChecked, a)
	case v.Instructions.IsZero():
		return l.do(v.Code, a)
	}
	return v.Instructions.In(l.name)
}

// counted says the counters, what matters most first. takt is the good units an
// hour that are wanted, 0 for none.
func (l *Language) counted(c station.Counters, takt float64) []string {
	w := &l.words
	parts := []string{l.units(c.Units)}
	if y, ok := c.FirstPassYield(); ok {
		parts = append(parts, fill(w.firstPass, "n", fmt.Sprintf("%.0f", 100*y)))
	}
	if c.PerHour > 0 { // false for NaN
		parts = append(parts, fill(w.perHour, "n", fmt.Sprintf("%.0f", c.PerHour)))
	}
	if takt > 0 {
		parts = append(parts, fill(w.takt, "n", fmt.Sprintf("%.0f", takt)))
	}
	parts = append(parts, fill(w.failed, "n", c.Failed), fill(w.onHold, "n", c.OpenHolds))
	return parts
}

func (l *Language) units(n int) string {
	if n == 1 {
		return l.words.unit
	}
	return fill(l.words.units, "n", n)
}

func capital(s string) string {
	r, w := utf8.DecodeRuneInString(s)
	if w == 0 {
		return ""
	}
	return string(unicode.ToUpper(r)) + s[w:]
}
