package shift

import (
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/roster"
	"example.org/panecal/store/record"
)

// Access says on record why a person was not let do something.
type Access string

// The reasons.
const (
	AccessUnknown Access = "badge unknown"  // nobody's of the roster
	AccessEnded   Access = "not valid"      // revoked, or past valid_until
	AccessRole    Access = "role missing"   // the roles do not allow it
	AccessTrained Access = "training ended" // a lead may allow one shift
	AccessScanned Access = "pin scanned"    // a PIN is typed
	AccessPIN     Access = "pin wrong"
	AccessBarred  Access = "badge barred" // five wrong PINs
)

const (
	wrongPINs = 5                // in a row bar the badge
	barredFor = 15 * time.Minute // that long
	promptFor = 30 * time.Second // a PIN prompt stays open
)

// What is on record as what a person wanted.
const (
	wantSignOn = "sign on"
	wantStay   = "stay signed on" // after the roster changed
)

// byRoster is how a person was signed off whom the roster does not let work any
// more.
const byRoster = "roster"

// bars count wrong PINs by person.
type bars map[string]bar

type bar struct {
	wrong int
	until time.Time
}

// barsOf is how the newest records leave the badges.
func barsOf(recent []record.Entry) bars {
	b := bars{}
	for _, e := range recent {
		switch r := e.Body.(type) {
		case *record.AccessRefused:
			switch Access(r.Code) {
			case AccessPIN:
				b.wrong(r.Person, e.Time)
			case AccessBarred:
				b[r.Person] = bar{until: r.Until}
			}
		case *record.StopLifted:
			if r.Method == methodBadge {
				delete(b, r.By)
			}
		case *record.SignOn:
			delete(b, r.AllowedBy)
		}
	}
	return b
}

// barred tells until when a badge is barred, and false where it is not.
func (b bars) barred(id string, now time.Time) (time.Time, bool) {
	one := b[id]
	return one.until, now.Before(one.until)
}

// wrong counts a wrong PIN and returns how many more may be.
func (b bars) wrong(id string, now time.Time) int {
	one := b[id]
	one.wrong++
	if left := wrongPINs - one.wrong; left > 0 {
		b[id] = one
		return left
	}
	b[id] = bar{until: now.Add(barredFor)}
	return 0
}

// methodBadge is what a record says of who was known by badge and PIN.
const methodBadge = "badge"

// known is whose badge a text is: the pseudonym of the roster; without one,
// what the badge says.
func (d *dialog) known(text string) (id string, ok bool) {
	if b := d.rules.Book; b != nil {
		p, ok := b.Badge(text)
		return p.ID, ok
	}
	return text, d.looksLikeBadge(text)
}

func (d *dialog) looksLikeBadge(text string) bool {
	return d.rules.Badge != nil && whole(d.rules.Badge, text)
}

// stranger tells whether a text is a badge, and nobody's of the roster.
func (d *dialog) stranger(text string) bool {
	if d.rules.Book == nil || !d.looksLikeBadge(text) || d.isLabel(text) {
		return false
	}
	_, ok := d.known(text)
	return !ok
}

// isLabel tells a unit's label.
func (d *dialog) isLabel(text string) bool { return d.rules.Unit != nil && d.rules.Unit(text) }

// asks tells whether people are known by their badges here.
func (d *dialog) asks() bool { return d.rules.Badge != nil || d.rules.Book != nil }

// refuse puts on record that somebody was not let.
func refuse(id string, why Access, wanted string, say Code) []deed {
	return []deed{refused{record.AccessRefused{Person: id, Code: string(why), Wanted: wanted}}, Reply{Code: say, Text: id}}
}

// comes lets a person begin to sign on, if the roster does.
func (d *dialog) comes(id string, at time.Time) (no []deed) {
	b := d.rules.Book
	if b == nil {
		return nil
	}
	p, _ := b.Person(id)
	if until, is := d.bars.barred(id, at); is {
		return d.refuseBarred(id, wantSignOn, until, false)
	}
	switch {
	case !p.Valid(at, b.Site):
		return refuse(id, AccessEnded, wantSignOn, NotValid)
	case !p.Has(roster.Operator):
		return refuse(id, AccessRole, wantSignOn, NoOperator)
	case !p.Trained(at, b.Site):
		return refuse(id, AccessTrained, wantSignOn, TrainingEnded)
	}
	return nil
}

// rejudge says whether who is signed on may go on by the roster as it is.
func (d *dialog) rejudge(at time.Time) {
	d.ended = ""
	b := d.rules.Book
	if b == nil || d.person == "" || d.person == Unknown {
		return
	}
	switch p, ok := b.Person(d.person); {
	case !ok || !p.Valid(at, b.Site):
		d.ended = AccessEnded
	case !p.Has(roster.Operator):
		d.ended = AccessRole
	}
}

// leave signs a person off who may not work any more.
func (d *dialog) leave(snap station.Snapshot, at time.Time) []deed {
	say := NotValid
	if d.ended == AccessRole {
		say = NoOperator
	}
	deeds := refuse(d.person, d.ended, wantStay, say)
	off := d.signOff(snap, at)
	for i, one := range off {
		if o, ok := one.(signedOff); ok {
			o.method = byRoster
			off[i] = o
		}
	}
	d.ended = ""
	return append(off, deeds...)
}

// refuseBarred says that a badge is barred; anew: since now.
func (d *dialog) refuseBarred(id, wanted string, until time.Time, anew bool) []deed {
	say := Reply{Code: BadgeBarred, Text: until.In(d.rules.Book.Site).Format("15:04")}
	if !anew {
		return []deed{say}
	}
	return []deed{refused{record.AccessRefused{Person: id, Code: string(AccessBarred), Wanted: wanted, Until: until.UTC()}}, say}
}
