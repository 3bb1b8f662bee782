package shift

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/roster"
	"example.org/panecal/store/record"
)

// Rules say how a shift goes at this station.
type Rules struct {
	// Badge is what a badge says, the whole of it. Nil: people are known by
	// other means, nobody is asked.
	Badge *regexp.Regexp
	// Book is who works here. Nil: everybody whose badge looks like one, and
	// stops are lifted by a restart.
	Book *roster.Book
	// Order and Lot are what a work order and a lot say, the whole of them. Nil:
	// anything but a unit's label.
	Order, Lot *regexp.Regexp
	Unit       func(text string) bool // tells a unit's label; nil: none is known
	// Reworks are the codes of what may be done to the unit of a label; nil, or an
	// empty list: anything.
	Reworks func(label string) []string
	Ask     []PageKind // what is asked after sign-on: OrderPage to EmitterPage
	Takt    float64    // good units an hour that are wanted, 0 for none

	Box     *regexp.Regexp // what the number of a box says, the whole of it; nil: anything but a unit's label
	Persons bool           // hand-overs name who signs off
	Site    *time.Location // where times of day are read; nil: where the computer is
}

// whole tells whether a pattern, nil for any, is the whole of a text.
func whole(p *regexp.Regexp, text string) bool {
	return p == nil || p.FindString(text) == text && text != ""
}

// dialog leads the people at the station through their shift, from the badge to
// the hand-over: it asks by pages, hears command labels, and says what is to be
// done. It does nothing itself.
type dialog struct {
	rules    Rules
	cautions []string // as they are shown
	pages    []Page   // to be answered, the first is on the screen
	person   string   // signed on, or about to be
	since    time.Time
	set      Settings
	skipped  bool // the last entry asked to end an attempt
	cut      bool // the last entry said that a nest has no power

	// With a roster.
	prompt prompt // while a PIN is asked for
	bars   bars   // wrong PINs
	relabelling
	allowed string // who allowed this shift, "" where nobody had to
	ended   Access // why who is signed on may not go on since the roster changed, "" for nothing
}

// newDialog begins a shift at the time given. operator is signed on already, by
// other means than a badge; "" for nobody.
func newDialog(r Rules, operator string, set Settings, cautions []string, at time.Time) *dialog {
	d := &dialog{rules: r, cautions: cautions, set: set, person: operator, since: at, bars: bars{}}
	if d.asks() && operator == "" {
		d.pages = []Page{{Kind: BadgePage}}
	}
	return d
}

// deed is something that has to be done because of an entry: one of the types
// below.
type deed interface{ deed() }

// The deeds. All but passed and Reply go on record.
type (
	// passed gives an entry to the station.
	passed struct{ Input }
	// signedOn says who works from now on. cautions are those that were
	// confirmed, in full.
	signedOn struct {
		person   string
		cautions []string
		allowed  string // by whom, "" where nobody had to
	}
	// signedOff ends a person's shift.
	signedOff struct {
		handOver HandOver
		method   string
	}
	// settled says what holds for the units that follow.
	settled struct{ Settings }
	// unpowered says that a nest, by index and name, has no power.
	unpowered struct {
		nest int
		name string
	}
	// noted is a message for the test engineer.
	noted struct{ text string }
	// held puts the unit of a label on hold.
	held struct{ label, reason string }
	// reworked says that the unit of a label was reworked.
	reworked struct{ label, code string }
	// boxed opens a box, into which units go that waited.
	boxed struct {
		number, order string
		size          int
		units         []station.Unboxed
	}
	// unreadable says that a unit's label cannot be read.
	unreadable struct{}
	// relabelled gives a unit another label.
	relabelled struct{ old, to, by string }
	// rested begins a pause, or ends it.
	rested struct{ on bool }
	// refused says that somebody was not let.
	refused struct{ record.AccessRefused }
	// lifted ends the stop of a nest.
	lifted struct {
		nest int
		by   string
	}
)

func (passed) deed()     {}
func (Reply) deed()      {}
func (signedOn) deed()   {}
func (signedOff) deed()  {}
func (settled) deed()    {}
func (unpowered) deed()  {}
func (noted) deed()      {}
func (reworked) deed()   {}
func (held) deed()       {}
func (boxed) deed()      {}
func (rested) deed()     {}
func (unreadable) deed() {}
func (relabelled) deed() {}
func (refused) deed()    {}
func (lifted) deed()     {}

// commandPrefix begins every command label: letters and a space, which all
// keyboard layouts here have in common but for Z, Y, Q, W, A and M.
const commandPrefix = "CMD "

// page is what is to be shown instead of the nests, nil for nothing.
func (d *dialog) page() *Page {
	if len(d.pages) == 0 {
		return nil
	}
	p := d.pages[0]
	return &p
}

// take hears an entry while the station is as in snap.
func (d *dialog) take(in Input, snap station.Snapshot) []deed {
	skipped, cut := d.skipped, d.cut
	d.skipped, d.cut = false, false
	command, isCommand := command(in)
	if page := d.page(); page != nil {
		if isCommand && command == "GO" {
			in.Kind = Go
		}
		switch {
		case page.Kind == PausePage && isCommand && command == "PAUSE":
			return d.hearPause(Input{Kind: Go, At: in.At}, snap)
		case page.read() && in.Kind == Label: // who scans on has read enough
			d.pages = d.pages[1:]
			return d.take(in, snap)
		case in.Kind == Unreadable && page.Kind == PINPage:
			return []deed{Reply{Code: PINForm}}
		case in.Kind == Go || in.Kind == Label && (!isCommand || page.Kind == BadgePage):
			return d.heed(page.Kind, in, snap)
		case in.Kind == Label:
			return []deed{Reply{Code: PageFirst, Text: in.Text}}
		}
		return nil
	}
	switch {
	case in.Kind == Label && d.stranger(strings.TrimSpace(in.Text)):
		return refuse("", AccessUnknown, wantSignOn, UnknownBadge)
	case in.Kind == Label && d.isBadge(in.Text):
		id, _ := d.known(strings.TrimSpace(in.Text))
		return d.relieve(id, snap, in.At)
	case !isCommand && in.Kind == Label && d.isBox(in.Text, snap):
		return d.openBox(strings.TrimSpace(in.Text), snap)
	case !isCommand && in.Kind == Label && d.ended != "":
		return d.leave(snap, in.At)
	case !isCommand:
		return []deed{passed{in}}
	}
	name, code, _ := strings.Cut(command, " ")
	switch {
	case command == "GO":
		return []deed{passed{Input{Kind: Go, Nest: snap.Hands.Nest, At: in.At}}}
	case command == "SKIP":
		return d.skip(snap, in.At, skipped)
	case command == "POWER OFF":
		return d.powerOff(snap, cut)
	case command == "HELP":
		d.pages = []Page{{Kind: HelpPage}}
	case command == "HOLDS":
		d.pages = []Page{{Kind: HoldsPage, Rows: d.holds(snap, in.At)}}
	case command == "FIGURES":
		h := d.handOver(snap, in.At)
		d.pages = []Page{{Kind: FiguresPage, Figures: &h}}
	case command == "UNREADABLE":
		return []deed{unreadable{}}
	case command == "RELABEL":
		d.relabel()
	case command == "PAUSE":
		d.pages = []Page{{Kind: PausePage}}
		return []deed{rested{true}}
	case command == "NOTE":
		d.pages = []Page{{Kind: NotePage}}
	case command == "ORDER":
		d.ask([]PageKind{OrderPage, QuantityPage, WindowPage, GasketPage, EmitterPage}, snap)
	case command == "OFF":
		return d.signOff(snap, in.At)
	case name == "HOLD" && code != "":
		return d.hold(snap, code)
	case name == "REWORK" && code != "":
		return d.rework(snap, code)
	default:
		return []deed{Reply{Code: UnknownCommand, Text: command}}
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

func (d *dialog) isBadge(text string) bool {
	_, is := d.known(strings.TrimSpace(text))
	return is
}

// relieve is a badge in the middle of the shift: its own signs off, another
// one takes over. Where something is stopped that this person may lift, the PIN
// is asked for, and nobody signs on or off.
func (d *dialog) relieve(id string, snap station.Snapshot, at time.Time) []deed {
	if d.rules.Book != nil && id != d.person {
		if some := d.liftable(id, snap, at); len(some) > 0 {
			if until, is := d.bars.barred(id, at); is {
				return d.refuseBarred(id, string(some[0].Code), until, false)
			}
			d.open(prompt{who: id, opened: at, stop: some[0]})
			return nil
		}
		if no := d.comes(id, at); no != nil {
			return no
		}
	}
	deeds := d.signOff(snap, at)
	if id != d.person {
		d.pages = append(d.pages[:1:1], Page{Kind: CautionPage})
		d.person, d.allowed = id, ""
	}
	return deeds
}

// signOff hands over.
func (d *dialog) signOff(snap station.Snapshot, at time.Time) []deed {
	h := d.handOver(snap, at)
	d.pages = []Page{{Kind: HandOverPage, HandOver: &h}}
	return []deed{signedOff{h, "screen"}}
}

// skip ends an attempt at the second scan of its label in a row.
func (d *dialog) skip(snap station.Snapshot, at time.Time, again bool) []deed {
	i := snap.Hands.Nest
	if i < 0 || i >= len(snap.Nests) || snap.Nests[i].Attempt == 0 || snap.Nests[i].Verdict != nil {
		return []deed{Reply{Code: NothingToSkip}}
	}
	if again {
		return []deed{passed{Input{Kind: Skip, Nest: i, At: at}}}
	}
	d.skipped = true
	return []deed{Reply{Code: SkipAgain, Nest: snap.Nests[i].Name}}
}

// rework puts a rework of the open label's unit on record, or of the unit that was
// refused for want of one.
func (d *dialog) rework(snap station.Snapshot, code string) []deed {
	label := snap.Label
	for i := range snap.Nests {
		if n := &snap.Nests[i]; label == "" && n.Step == station.Turned && n.Trouble != nil && n.Trouble.Code == station.RefusedRework {
			label = n.Label
		}
	}
	if label == "" {
		return []deed{Reply{Code: NoLabelOpen}}
	}
	if d.rules.Reworks != nil {
		if known := d.rules.Reworks(label); len(known) > 0 && !slices.Contains(known, code) {
			return []deed{Reply{Code: BadRework, Text: code, Label: strings.Join(known, ", ")}}
		}
	}
	return []deed{reworked{label, code}, Reply{Code: Reworked, Text: code, Label: label, Done: true}}
}

// hold puts the unit on hold whose label is open, or whose result the hands look
// at.
func (d *dialog) hold(snap station.Snapshot, reason string) []deed {
	label := snap.Label
	if i := snap.Hands.Nest; label == "" && i >= 0 && i < len(snap.Nests) && snap.Nests[i].Verdict != nil {
		label = snap.Nests[i].Label
	}
	if label == "" {
		return []deed{Reply{Code: NoLabelOpen}}
	}
	return []deed{held{label, reason}, Reply{Code: PutOnHold, Text: label, Done: true}}
}

// powerOff hears at the second scan of its label in a row that the nest has no
// power whose emitter is in doubt.
func (d *dialog) powerOff(snap station.Snapshot, again bool) []deed {
	i := snap.Hands.Nest
	if snap.Hands.Code != station.HandsEmitter || i < 0 || i >= len(snap.Nests) {
		return []deed{Reply{Code: NoEmitter}}
	}
	if again {
		return []deed{unpowered{i, snap.Nests[i].Name}}
	}
	d.cut = true
	return []deed{Reply{Code: PowerAgain, Nest: snap.Nests[i].Name}}
}

// ask queues pages of settings, each with what is there already.
func (d *dialog) ask(kinds []PageKind, snap station.Snapshot) {
	for _, k := range kinds {
		p := Page{Kind: k, Now: d.set.Of(k)}
		if k == QuantityPage && d.set.Quantity > 0 && d.set.WorkOrder == snap.Order {
			p.Now = fmt.Sprintf("%d / %d", snap.Counters.OrderGood, d.set.Quantity)
		}
		d.pages = append(d.pages, p)
	}
}

// heed is an entry while a page is up.
func (d *dialog) heed(k PageKind, in Input, snap station.Snapshot) []deed {
	text := strings.TrimSpace(in.Text)
	next := func(deeds ...deed) []deed {
		d.pages = d.pages[1:]
		return deeds
	}
	switch k {
	case BadgePage:
		switch {
		case in.Kind == Go:
			return nil
		case !d.isBadge(text) && d.rules.Book != nil:
			return refuse("", AccessUnknown, wantSignOn, UnknownBadge)
		case !d.isBadge(text):
			return []deed{Reply{Code: BadBadge, Text: text}}
		}
		id, _ := d.known(text)
		if no := d.comes(id, in.At); no != nil {
			if r, ok := no[len(no)-1].(Reply); ok && r.Code == TrainingEnded {
				d.prompt = prompt{allow: id}
				d.pages = []Page{{Kind: AllowPage}}
			}
			return no
		}
		d.person, d.allowed = id, ""
		d.pages = []Page{{Kind: CautionPage}}
	case AllowPage:
		if in.Kind == Go {
			d.pages = []Page{{Kind: BadgePage}}
			return nil
		}
		return d.allowBadge(text, d.prompt.allow, in.At)
	case PINPage:
		return d.hearPIN(in, snap)
	case CautionPage:
		if in.Kind != Go {
			return []deed{Reply{Code: PageFirst, Text: text}} // a label is no acknowledgement
		}
		d.since = in.At
		d.pages = nil
		d.ask(d.rules.Ask, snap)
		return append([]deed{signedOn{d.person, d.cautions, d.allowed}}, d.training(d.person, in.At)...)
	case OrderPage, QuantityPage, WindowPage, GasketPage, EmitterPage:
		if in.Kind == Label {
			if no := d.set.take(k, text, &d.rules); no != "" {
				return []deed{Reply{Code: no, Text: text}}
			}
		}
		if len(d.pages) > 1 {
			return next()
		}
		return next(settled{d.set}, Reply{Code: Settled, Settings: d.set, Done: true})
	case NotePage:
		if in.Kind == Go {
			return next()
		}
		return next(noted{text}, Reply{Code: Noted, Done: true})
	case HelpPage, HoldsPage, FiguresPage:
		if in.Kind == Go {
			return next()
		}
	case PausePage:
		return d.hearPause(in, snap)
	case LeadPage:
		return d.hearLead(in, text)
	case OldLabelPage:
		return d.hearOld(in, text)
	case NewLabelPage:
		return d.hearNew(in, text)
	case HandOverPage:
		if in.Kind != Go && !d.isBadge(text) {
			return []deed{Reply{Code: PageFirst, Text: text}}
		}
		switch {
		case !d.asks(): // known by other means: the same person goes on
			d.since = in.At
			return next(signedOn{person: d.person})
		case in.Kind == Go && len(d.pages) > 1:
			return next()
		case in.Kind == Go:
			d.pages = []Page{{Kind: BadgePage}}
		default:
			d.pages = []Page{{Kind: BadgePage}}
			return d.heed(BadgePage, in, snap)
		}
	}
	return nil
}

// handOver is what the next shift needs to know.
func (d *dialog) handOver(snap station.Snapshot, at time.Time) HandOver {
	from := d.since
	if b := snap.Counters.Since; !b.IsZero() { // a shift that went on after a restart
		from = b
	}
	site := d.rules.site()
	return HandOver{Station: snap.Station, Person: d.person, Named: d.rules.Persons, From: from.In(site), To: at.In(site), Settings: d.set, Takt: d.rules.Takt,
		Counters: snap.Counters, Box: snap.Box, Holds: snap.Holds, Stops: snap.Stops, Lifted: snap.Lifted, Standing: snap.Standing}
}
