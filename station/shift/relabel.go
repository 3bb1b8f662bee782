package shift

import (
	"cmp"
	"strings"

	"example.org/panecal/station"
	"example.org/panecal/station/roster"
	"example.org/panecal/store/record"
)

// relabelling is a unit that gets another label, as far as it has come.
type relabelling struct {
	by  string // who may: a lead where there is a roster
	old string // as scanned or typed
}

// wantRelabel is what is on record where a person wanted to give a new label.
const wantRelabel = "relabel"

// relabel begins: a lead says who he is, then come the two labels.
func (d *dialog) relabel() {
	d.relabelling = relabelling{by: d.person}
	if d.rules.Book == nil {
		d.pages = []Page{{Kind: OldLabelPage}}
		return
	}
	d.pages = []Page{{Kind: LeadPage}}
}

// hearLead is an entry while a lead's badge is wanted for a new label.
func (d *dialog) hearLead(in Input, text string) []deed {
	id, ok := d.known(text)
	switch {
	case in.Kind == Go:
		d.pages = nil
		return nil
	case !ok:
		return refuse("", AccessUnknown, wantRelabel, UnknownBadge)
	}
	if until, is := d.bars.barred(id, in.At); is {
		return d.refuseBarred(id, wantRelabel, until, false)
	}
	if p, _ := d.rules.Book.Person(id); !p.Has(roster.Lead) || !p.Valid(in.At, d.rules.Book.Site) {
		return refuse(id, AccessRole, wantRelabel, NoLead)
	}
	d.open(prompt{who: id, opened: in.At, relabel: true})
	return nil
}

// hearOld is an entry while the old label is wanted; it may be typed, since it may be
// one that no scanner reads.
func (d *dialog) hearOld(in Input, text string) []deed {
	if in.Kind == Go {
		d.pages = nil
		return nil
	}
	d.relabelling.old = text
	d.pages = []Page{{Kind: NewLabelPage, Now: text}}
	return nil
}

// hearNew is an entry while the new label is wanted.
func (d *dialog) hearNew(in Input, text string) []deed {
	switch {
	case in.Kind == Go:
		d.pages = nil
		return nil
	case d.rules.Unit != nil && !d.rules.Unit(text):
		return []deed{Reply{Code: NoUnitLabel, Text: text}}
	}
	d.pages = nil
	return []deed{relabelled{d.relabelling.old, text, d.relabelling.by}, Reply{Code: Relabelled, Text: text, Label: d.relabelling.old, Done: true}}
}

// declined is what a shift says instead of doing something.
type declined struct{ Reply }

func (d declined) Error() string { return string(d.Code) + ": " + d.Text }

// giveLabel puts a new label on record, and on hold what was on hold under the old
// one: the old one is refused from then on. A label that is on record already is
// nobody's second.
func (s *Shift) giveLabel(d relabelled) error {
	old, serial := s.o.Intake.Serial(strings.TrimSpace(d.old)), s.o.Intake.Serial(strings.TrimSpace(d.to))
	var unit string
	if past := s.o.Past; past != nil {
		if used, err := past.BySerial(serial); err != nil || len(used) > 0 || serial == old {
			return cmp.Or(err, error(declined{Reply{Code: LabelUsed, Text: serial}}))
		}
		all, err := past.BySerial(old)
		if err != nil || len(all) == 0 {
			return cmp.Or(err, error(declined{Reply{Code: LabelUnknown, Text: old}}))
		}
		for _, e := range all {
			if id := e.Body.Subject().UnitID; id != "" {
				unit = id
			}
		}
	}
	if err := s.keep(&record.Relabelled{Serial: old, To: serial, UnitID: unit, By: d.by}); err != nil {
		return err
	}
	var changes []*record.DispositionChange
	for _, u := range s.o.Station.Snapshot().Holds {
		if u.Serial != old {
			continue
		}
		for _, c := range []*record.DispositionChange{
			{Serial: serial, UnitID: unit, To: record.Hold, Firm: u.Decided, Code: string(station.RefusedRelabelled), Why: "it was on hold as " + old, By: d.by},
			{Serial: old, UnitID: unit, From: record.Hold, To: record.Rework, Firm: u.Decided, Code: string(station.RefusedRelabelled), Why: "its unit is " + serial + " now", By: d.by},
		} {
			if err := s.keep(c); err != nil {
				return err
			}
			changes = append(changes, c)
		}
	}
	s.o.Station.Disposed(changes)
	return nil
}
