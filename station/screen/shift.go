package screen

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"example.org/panecal/station"
)

// Shift leads the people at the station through their shift, from the badge to
// the hand-over: it asks by pages, hears command labels, and says what is to be
// put on record. It does nothing itself, and belongs to one goroutine.
type Shift struct {
	o       ShiftOptions
	pages   []Page // to be answered, the first is on the screen
	person  string // signed on, or about to be
	on      bool
	since   time.Time
	set     Settings
	skipped bool // the last entry asked to end an attempt
}

// ShiftOptions say how a shift goes here.
type ShiftOptions struct {
	// Badge is what a badge says, the whole of it. Nil: people are known by
	// other means, nobody is asked.
	Badge    *regexp.Regexp
	Operator string     // signed on already by other means, "" for nobody
	Settings Settings   // that hold already
	Ask      []PageKind // what is asked after sign-on: OrderPage to EmitterPage
	Language *Language  // nil: English
	Takt     float64    // units an hour that are wanted, 0 for none
}

// Settings are what the units that follow are made for and of. Empty is not
// known.
type Settings struct {
	WorkOrder                        string
	Quantity                         int
	WindowLot, GasketLot, EmitterLot string
}

// Deed is something that has to be done because of an entry: one of the types
// below.
type Deed interface{ deed() }

// The deeds. All but Passed and Said go on record.
type (
	// Passed gives an entry to the station.
	Passed struct{ Input }
	// Said is an answer for the screen. Done: what was asked for is done, if all
	// that it asks to put on record is; otherwise it wants attention.
	Said struct {
		Text string
		Done bool
	}
	// SignedOn says who works from now on. Acknowledged are the cautions that
	// were confirmed, in full.
	SignedOn struct {
		Person       string
		Acknowledged []string
	}
	// SignedOff ends a person's shift. Summary is the hand-over, line by line.
	SignedOff struct {
		Person  string
		Summary []string
	}
	// Set says what holds for the units that follow.
	Set struct{ Settings }
	// Left is a message for the test engineer.
	Left struct{ Text string }
	// Mended says that the unit of a label was reworked.
	Mended struct{ Label, Code string }
)

func (Passed) deed()    {}
func (Said) deed()      {}
func (SignedOn) deed()  {}
func (SignedOff) deed() {}
func (Set) deed()       {}
func (Left) deed()      {}
func (Mended) deed()    {}

// commandPrefix begins every command label: letters and a space, which all
// keyboard layouts here have in common but for Z, Y, Q, W, A and M.
const commandPrefix = "CMD "

// NewShift begins a shift at the time given.
func NewShift(o ShiftOptions, at time.Time) *Shift {
	if o.Language == nil {
		o.Language, _ = NewLanguage("")
	}
	s := &Shift{o: o, set: o.Settings, person: o.Operator, on: true, since: at}
	if o.Badge != nil && o.Operator == "" {
		s.on = false
		s.pages = []Page{{Kind: BadgePage}}
	}
	return s
}

// Page returns what is to be shown instead of the nests, nil for nothing.
func (s *Shift) Page() *Page {
	if len(s.pages) == 0 {
		return nil
	}
	p := s.pages[0]
	return &p
}

// Settings returns what holds for the units that follow.
func (s *Shift) Settings() Settings { return s.set }

// Take hears an entry while the station is as in snap.
func (s *Shift) Take(in Input, snap station.Snapshot) []Deed {
	skipped := s.skipped
	s.skipped = false
	command, isCommand := command(in)
	if page := s.Page(); page != nil {
		if isCommand && command == "GO" {
			in.Kind = Go
		}
		switch {
		case page.Kind == HelpPage && in.Kind == Label: // who scans on has read enough
			s.pages = s.pages[1:]
			return s.Take(in, snap)
		case in.Kind == Go || in.Kind == Label && (!isCommand || page.Kind == BadgePage):
			return s.answer(page.Kind, in, snap)
		case in.Kind == Label:
			return []Deed{s.say(s.o.Language.words.answerFirst, "text", squeeze(in.Text, 24, false))}
		}
		return nil
	}
	switch {
	case in.Kind == Label && s.isBadge(in.Text):
		return s.relieve(strings.TrimSpace(in.Text), snap, in.At)
	case !isCommand:
		return []Deed{Passed{in}}
	}
	name, code, _ := strings.Cut(command, " ")
	switch {
	case command == "GO":
		return []Deed{Passed{Input{Kind: Go, Nest: snap.Hands.Nest, At: in.At}}}
	case command == "SKIP":
		return s.skip(snap, in.At, skipped)
	case command == "HELP":
		s.pages = []Page{{Kind: HelpPage}}
	case command == "NOTE":
		s.pages = []Page{{Kind: NotePage}}
	case command == "ORDER":
		s.ask([]PageKind{OrderPage, QuantityPage, WindowPage, GasketPage, EmitterPage})
	case command == "OFF":
		return s.signOff(snap, in.At)
	case name == "REWORK" && code != "" && snap.Label != "":
		return []Deed{Mended{snap.Label, code}, Said{fill(s.o.Language.words.reworked, "text", code, "label", snap.Label), true}}
	case name == "REWORK" && code != "":
		return []Deed{s.say(s.o.Language.words.noLabelOpen)}
	default:
		return []Deed{s.say(s.o.Language.words.unknownCommand, "text", command)}
	}
	return nil
}

// command tells whether a label is a command label; letters may be small, as
// Caps Lock makes them.
func command(in Input) (string, bool) {
	text := strings.ToUpper(strings.TrimSpace(in.Text))
	if in.Kind != Label || !strings.HasPrefix(text, commandPrefix) {
		return "", false
	}
	return strings.TrimSpace(text[len(commandPrefix):]), true
}

func (s *Shift) say(text string, pairs ...any) Deed { return Said{Text: fill(text, pairs...)} }

func (s *Shift) isBadge(text string) bool {
	text = strings.TrimSpace(text)
	return s.o.Badge != nil && s.o.Badge.FindString(text) == text && text != ""
}

// relieve is a badge in the middle of the shift: its own signs off, another
// one takes over.
func (s *Shift) relieve(badge string, snap station.Snapshot, at time.Time) []Deed {
	deeds := s.signOff(snap, at)
	if badge != s.person {
		s.pages = append(s.pages[:1:1], Page{Kind: CautionPage})
		s.person = badge
	}
	return deeds
}

// signOff hands over.
func (s *Shift) signOff(snap station.Snapshot, at time.Time) []Deed {
	off := SignedOff{s.person, s.Summary(snap, at)}
	s.pages = []Page{{Kind: HandOverPage, Lines: off.Summary}}
	s.on = false
	return []Deed{off}
}

// skip ends an attempt at the second scan of its label in a row.
func (s *Shift) skip(snap station.Snapshot, at time.Time, again bool) []Deed {
	w := &s.o.Language.words
	i := snap.Hands.Nest
	if i < 0 || i >= len(snap.Nests) || snap.Nests[i].Attempt == 0 || snap.Nests[i].Verdict != nil {
		return []Deed{s.say(w.nothingToSkip)}
	}
	if again {
		return []Deed{Passed{Input{Kind: Skip, Nest: i, At: at}}}
	}
	s.skipped = true
	return []Deed{s.say(w.skipAgain, "nest", s.o.Language.aloud(snap.Nests[i].Name))}
}

// ask queues pages of settings, each with what is there already.
func (s *Shift) ask(kinds []PageKind) {
	for _, k := range kinds {
		p := Page{Kind: k}
		if now := s.set.of(k); now != "" {
			p.Lines = []string{"= " + now}
		}
		s.pages = append(s.pages, p)
	}
}

// of is the setting that a page asks for.
func (s Settings) of(k PageKind) string {
	switch k {
	case OrderPage:
		return s.WorkOrder
	case QuantityPage:
		if s.Quantity > 0 {
			return strconv.Itoa(s.Quantity)
		}
	case WindowPage:
		return s.WindowLot
	case GasketPage:
		return s.GasketLot
	case EmitterPage:
		return s.EmitterLot
	}
	return ""
}

// answer is an entry while a page is up.
func (s *Shift) answer(k PageKind, in Input, snap station.Snapshot) []Deed {
	text := strings.TrimSpace(in.Text)
	w := &s.o.Language.words
	next := func(deeds ...Deed) []Deed {
		s.pages = s.pages[1:]
		return deeds
	}
	switch k {
	case BadgePage:
		switch {
		case in.Kind == Go:
			return nil
		case !s.isBadge(text):
			return []Deed{s.say(w.badBadge, "text", squeeze(text, 24, false))}
		}
		s.person = text
		s.pages = []Page{{Kind: CautionPage}}
	case CautionPage:
		if in.Kind != Go {
			return []Deed{s.say(w.answerFirst, "text", squeeze(text, 24, false))} // a label is no acknowledgement
		}
		s.on, s.since = true, in.At
		s.pages = nil
		s.ask(s.o.Ask)
		return []Deed{SignedOn{s.person, s.o.Language.lines(&Page{Kind: CautionPage})}}
	case OrderPage, QuantityPage, WindowPage, GasketPage, EmitterPage:
		if in.Kind == Label && !s.setting(k, text) {
			return []Deed{s.say(w.badNumber, "text", squeeze(text, 24, false))}
		}
		if len(s.pages) > 1 {
			return next()
		}
		return next(Set{s.set}, Said{s.o.Language.settled(s.set), true})
	case NotePage:
		if in.Kind == Go {
			return next()
		}
		return next(Left{text}, Said{w.noted, true})
	case HelpPage:
		if in.Kind == Go {
			return next()
		}
	case HandOverPage:
		if in.Kind != Go && !s.isBadge(text) {
			return []Deed{s.say(w.answerFirst, "text", squeeze(text, 24, false))}
		}
		switch {
		case s.o.Badge == nil: // known by other means: the same person goes on
			s.on, s.since = true, in.At
			return next(SignedOn{Person: s.person})
		case in.Kind == Go && len(s.pages) > 1:
			return next()
		case in.Kind == Go:
			s.pages = []Page{{Kind: BadgePage}}
		default:
			s.pages = []Page{{Kind: BadgePage}}
			return s.answer(BadgePage, in, snap)
		}
	}
	return nil
}

// setting takes what a page asked for, and false where it cannot be that.
func (s *Shift) setting(k PageKind, text string) bool {
	switch k {
	case OrderPage:
		s.set.WorkOrder = text
	case QuantityPage:
		n, err := strconv.Atoi(text)
		if err != nil || n <= 0 {
			return false
		}
		s.set.Quantity = n
	case WindowPage:
		s.set.WindowLot = text
	case GasketPage:
		s.set.GasketLot = text
	case EmitterPage:
		s.set.EmitterLot = text
	}
	return true
}

// settled says what holds.
func (l *Language) settled(s Settings) string {
	or := func(text string) string {
		if text == "" {
			return "-"
		}
		return text
	}
	return fill(l.words.settings, "order", or(s.WorkOrder), "n", or(s.of(QuantityPage)), "window", or(s.WindowLot),
		"gasket", or(s.GasketLot), "emitter", or(s.EmitterLot))
}

// Summary is the hand-over: who worked from when to when, on what, what came
// of it, and what is still open.
func (s *Shift) Summary(snap station.Snapshot, at time.Time) []string {
	l, c := s.o.Language, snap.Counters
	const clock = "2006-01-02 15:04"
	lines := []string{
		fill(l.words.handOver, "operator", s.person, "from", s.since.Format(clock), "to", at.Format(clock)),
		l.settled(s.set),
		strings.ReplaceAll(l.counted(c, s.o.Takt), "  ", ", "),
	}
	if text := l.reasons(c, len(c.Bins)); text != "" {
		lines = append(lines, text)
	}
	lines = append(lines, fill(l.words.openHolds, "n", c.OpenHolds))
	for _, stop := range snap.Stops {
		lines = append(lines, l.words.stop+l.sentence(stop.Code, stop.Args))
	}
	for _, m := range snap.Standing {
		lines = append(lines, l.sentence(m.Code, m.Args))
	}
	return lines
}

// reasons says which soft bins most units went to, "" for none.
func (l *Language) reasons(c station.Counters, most int) string {
	var list []string
	for _, t := range c.Bins[:min(most, len(c.Bins))] {
		list = append(list, fmt.Sprintf("%s %d", t.Name, t.Units))
	}
	if len(list) == 0 {
		return ""
	}
	return fill(l.words.reasons, "list", strings.Join(list, ", "))
}
