package screen

import (
	"fmt"
	"regexp"
	"strings"
	"unicode"
	"unicode/utf8"

	"example.org/panecal/station"
	"example.org/panecal/station/shift"
)

// Language holds every text that the operator may be shown, in one language.
// Codes, labels, names of quantities and what released files say stay as they
// are. It is immutable.
type Language struct {
	name    string
	codes   map[station.Code]saying
	calls   map[station.Code][2]string // the block letters of codes of class Guide
	steps   map[station.Step]string    // at most 16 cells
	pages   map[shift.PageKind]pageText
	words   words
	details []phrase // what {detail} may be, beside names and numbers

	matchers []*regexp.Regexp // of details
}

// saying is a code's sentence and action.
type saying struct{ say, do string }

// phrase is a text from elsewhere in the program, English as it comes, and in
// this language. Parts that differ from case to case are {1} and {2}.
type phrase struct{ english, here string }

// pageText is what a page says: block letters, a sentence, and more lines.
type pageText struct {
	call [2]string
	say  string
	more []string
}

// words are the texts that no code stands for. Placeholders in braces.
type words struct {
	nest, or                                      string // a nest with a bare number, "A or B"
	pass, fail, hold                              string // verdicts: short, for block letters
	release, rework, aside, scrap                 string // dispositions
	bin, shownAgain, record                       string
	unit, units, firstPass, perHour, takt         string // counters
	failed, onHold, openHolds, reasons            string
	unsigned, audit, check, study, engineered     string // header
	checkUnit                                     string // in a nest
	entry, open, keys                             string // footer
	waits, attempt, try, left, seconds            string // a nest's progress
	typeLabel, more, enlarge                      string
	stop, hint                                    string // line by line
	leaveHow, leaveAgain, oneRuns, manyRun        string
	nothingToSkip, skipAgain, busy                string
	leaveCall, skipCall                           string // questions in block letters, two lines apart by " / "
	pageEntry, pageKeys                           string // footer of a page
	badBadge, badNumber, answerFirst, noLabelOpen string // what a page or a command label refuses
	unknownCommand, noted, reworked               string
	scannerLost, scannerBack, notRecorded         string
	settings, handOver                            string // lines of a page: what holds, of the shift
}

// Languages returns the names of the languages there are, ISO 639-1.
func Languages() []string { return []string{"en", "es", "de"} }

// NewLanguage returns the language of that name, and false if there is none.
func NewLanguage(name string) (*Language, bool) {
	switch name {
	case "en", "":
		return english().ready(), true
	case "es":
		return spanish().ready(), true
	case "de":
		return german().ready(), true
	}
	return nil, false
}

var hole = regexp.MustCompile(`\\\{[0-9]\\\}`)

// ready prepares the details for matching.
func (l *Language) ready() *Language {
	for _, p := range l.details {
		l.matchers = append(l.matchers, regexp.MustCompile(`^`+hole.ReplaceAllString(regexp.QuoteMeta(p.english), `(.+?)`)+`$`))
	}
	return l
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

// say is a code's sentence, with the nest as one calls it. Labels and names of
// quantities stay as they are, also where a sentence begins with one.
func (l *Language) say(code station.Code, a station.Args) string {
	text, ok := l.codes[code]
	if !ok {
		return code.Say(a) // of a newer station
	}
	s := l.filled(strings.ReplaceAll(text.say, ". {nest}", ". "+capital(l.aloud(a.Nest))), code, a)
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
	return l.filled(text.do, code, a)
}

// filled puts the arguments into a text, as this language says them.
func (l *Language) filled(text string, code station.Code, a station.Args) string {
	a.Detail = l.detail(a.Detail)
	if code == station.NoticeIgnored {
		for _, s := range station.Steps() {
			if s.String() == a.Detail {
				a.Detail = l.phase(s)
			}
		}
	}
	return fill(text, "nest", l.aloud(a.Nest), "label", a.Label, "bin", a.Bin, "other", a.Other, "detail", a.Detail)
}

// detail says what came from elsewhere in the program, piece by piece as far
// as the pieces are known.
func (l *Language) detail(s string) string {
	pieces := strings.Split(s, ": ")
	for i, piece := range pieces {
		for k, m := range l.matchers {
			if found := m.FindStringSubmatch(piece); found != nil {
				pieces[i] = l.details[k].here
				for n, part := range found[1:] {
					pieces[i] = fill(pieces[i], fmt.Sprint(n+1), part)
				}
				break
			}
		}
	}
	return strings.Join(pieces, ": ")
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

// instruction is what a verdict tells the hands: as the released file has it,
// or one of the program's own in this language.
func (l *Language) instruction(v *station.Verdict, a station.Args) string {
	if own := v.Code.Do(a); v.Instruction == "" || v.Instruction == own {
		return l.do(v.Code, a)
	}
	return l.detail(v.Instruction)
}

// counted says the counters in one line. takt is the units an hour that are
// wanted, 0 for none.
func (l *Language) counted(c station.Counters, takt float64) string {
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
	return strings.Join(parts, "  ")
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
