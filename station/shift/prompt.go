package shift

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/roster"
	"example.org/panecal/store/record"
)

// prompt asks a person for the PIN, to lift a stop or to allow a shift.
type prompt struct {
	who    string // pseudonym
	opened time.Time
	stop   station.Stop // to be lifted
	allow  string       // who may work one shift though the training has ended; "" for a stop
	// relabel: a unit is to get another label.
	relabel bool
}

// lifts reports whether the PIN lifts a stop.
func (p prompt) lifts() bool { return p.allow == "" && !p.relabel }

// wanted is what the PIN is for, as a record says it.
func (p prompt) wanted() string {
	switch {
	case p.allow != "":
		return wantSignOn
	case p.relabel:
		return wantRelabel
	}
	return string(p.stop.Code)
}

// mayLift tells whether a person may lift a stop here.
func mayLift(p roster.Person, c station.Code) bool {
	switch c.Meaning().Lift {
	case station.LiftLead:
		return p.Has(roster.Lead)
	case station.LiftMaintenance:
		return p.Has(roster.Lead, roster.Maintenance)
	}
	return false
}

// liftable are the stops that a person may lift, oldest first, without those of
// a nest that stand in the list of done ones.
func (d *dialog) liftable(id string, snap station.Snapshot, at time.Time) []station.Stop {
	p, ok := d.rules.Book.Person(id)
	if !ok || !p.Valid(at, d.rules.Book.Site) {
		return nil
	}
	var some []station.Stop
	for _, s := range snap.Stops {
		if s.Nest != station.NoNest && mayLift(p, s.Code) {
			some = append(some, s)
		}
	}
	slices.SortStableFunc(some, func(a, b station.Stop) int { return a.Since.Compare(b.Since) })
	return some
}

// open puts the prompt before what is shown.
func (d *dialog) open(p prompt) {
	d.prompt = p
	page := Page{Kind: PINPage, Masked: true}
	if p.lifts() {
		page.About = []station.Message{{Nest: p.stop.Nest, Code: p.stop.Code, Args: p.stop.Args}}
	}
	d.pages = append([]Page{page}, d.pages...)
}

// close takes the prompt away.
func (d *dialog) close() {
	if len(d.pages) > 0 && d.pages[0].Kind == PINPage {
		d.pages = d.pages[1:]
	}
	d.prompt = prompt{allow: d.prompt.allow}
}

// tick closes a prompt that was open too long.
func (d *dialog) tick(at time.Time) []deed {
	if len(d.pages) == 0 || d.pages[0].Kind != PINPage || at.Sub(d.prompt.opened) < promptFor {
		return nil
	}
	d.close()
	return []deed{Reply{Code: PINClosed}}
}

// hearPIN is an entry while a PIN is asked for.
func (d *dialog) hearPIN(in Input, snap station.Snapshot) []deed {
	p, text := d.prompt, strings.TrimSpace(in.Text)
	if in.Kind == Go {
		d.close()
		return nil
	}
	id, badge := d.known(text)
	switch {
	case !in.Typed && badge && id == p.who && p.lifts():
		d.nextStop(in.At, snap)
		return nil
	case !in.Typed && badge:
		return []deed{Reply{Code: PINForm}}
	case !in.Typed:
		return refuse(p.who, AccessScanned, p.wanted(), PINScanned)
	case !roster.IsPIN(text):
		return []deed{Reply{Code: PINForm}}
	case !d.rules.Book.Allows(p.who, text):
		left := d.bars.wrong(p.who, in.At)
		about := refused{record.AccessRefused{Person: p.who, Code: string(AccessPIN), Wanted: p.wanted()}}
		if p.lifts() {
			about.Nest = nestName(snap, p.stop.Nest)
		}
		if left > 0 {
			return []deed{about, Reply{Code: PINWrong, Text: strconv.Itoa(left)}}
		}
		d.close()
		until, _ := d.bars.barred(p.who, in.At)
		return append([]deed{about}, d.refuseBarred(p.who, p.wanted(), until, true)...)
	}
	delete(d.bars, p.who)
	d.close()
	if p.relabel {
		d.relabelling.by = p.who
		d.pages = []Page{{Kind: OldLabelPage}}
		return nil
	}
	if p.allow != "" {
		d.person, d.allowed = p.allow, p.who
		d.pages = []Page{{Kind: CautionPage}}
		return nil
	}
	if !slices.ContainsFunc(snap.Stops, func(s station.Stop) bool { return s.Nest == p.stop.Nest && s.Code == p.stop.Code }) {
		return []deed{Reply{Code: NothingToLift}}
	}
	return []deed{lifted{nest: p.stop.Nest, by: p.who}}
}

// nextStop asks for the PIN to lift the next stop that the person may, and after
// the last the first again: the own badge, scanned once more, chooses.
func (d *dialog) nextStop(at time.Time, snap station.Snapshot) {
	p := d.prompt
	d.close()
	some := d.liftable(p.who, snap, at)
	if len(some) == 0 {
		return
	}
	i := slices.IndexFunc(some, func(s station.Stop) bool { return s.Nest == p.stop.Nest && s.Code == p.stop.Code })
	d.open(prompt{who: p.who, opened: at, stop: some[(i+1)%len(some)]})
}

func nestName(s station.Snapshot, nest int) string {
	if nest < 0 || nest >= len(s.Nests) {
		return ""
	}
	return s.Nests[nest].Name
}

// allowBadge is a badge while a lead is asked to allow a shift.
func (d *dialog) allowBadge(text, lapsed string, at time.Time) []deed {
	id, ok := d.known(text)
	if !ok {
		return refuse("", AccessUnknown, wantSignOn, UnknownBadge)
	}
	p, _ := d.rules.Book.Person(id)
	if until, is := d.bars.barred(id, at); is {
		return d.refuseBarred(id, wantSignOn, until, false)
	}
	if id == lapsed || !p.Has(roster.Lead) || !p.Valid(at, d.rules.Book.Site) {
		return refuse(id, AccessRole, wantSignOn, NoLead)
	}
	d.open(prompt{who: id, opened: at, allow: lapsed})
	return nil
}
