package shift

import (
	"testing"

	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// past is what a log says of two labels.
type past struct{ station.Past }

func (past) BySerial(serial string) ([]record.Entry, error) {
	switch serial {
	case "X-cal-1-1":
		return []record.Entry{{Body: &record.DispositionChange{Serial: serial, UnitID: "u1", To: record.Hold}}}, nil
	case "H54-00001-O":
		return []record.Entry{{Body: &record.Note{Serial: serial}}}, nil
	}
	return nil, nil
}

// Hostile hands at a new label: only a lead with the PIN gives one; no unit gets a
// label that is used; what is on record afterwards is all of it.
func TestRelabel(t *testing.T) {
	d := newDesk(t)
	d.o.Past = past{}
	d.scan(staffBadges["op"])
	d.enter()
	d.want(0, "", "on op")
	d.snap.Holds = []station.OnHold{{Serial: "X-cal-1-1"}}
	d.scan("CMD RELABEL")
	d.want(LeadPage, "")
	d.scan(staffBadges["op"])
	d.want(LeadPage, NoLead, "refused op: role missing (relabel)")
	d.scan("H54-00001-O")
	d.want(LeadPage, UnknownBadge, "refused : badge unknown (relabel)")
	d.scan(staffBadges["lead"])
	d.want(PINPage, "")
	d.scan("493716")
	d.want(PINPage, PINScanned, "refused lead: pin scanned (relabel)")
	d.typed("493717")
	d.want(PINPage, PINWrong, "refused lead: pin wrong (relabel)")
	d.typed("493716")
	d.want(OldLabelPage, "")
	d.typed("X-cal-1-1")
	d.want(NewLabelPage, "")
	d.scan("WO-7")
	d.want(NewLabelPage, NoUnitLabel)
	d.scan("H54-00001-O") // another unit's
	d.want(0, LabelUsed)
	d.scan("CMD RELABEL")
	d.scan(staffBadges["lead"])
	d.typed("493716")
	d.typed("X-cal-1-9")
	d.scan("H54-00002-M")
	d.want(0, LabelUnknown)
	d.scan("CMD RELABEL")
	d.scan(staffBadges["lead"])
	d.typed("493716")
	d.typed("X-cal-1-1")
	d.scan("H54-00002-M")
	d.want(0, Relabelled, "relabelled", "disposition change", "disposition change")
	if len(d.moved) != 2 || d.moved[0].To != record.Hold || d.moved[0].By != "lead" || d.moved[0].UnitID != "u1" || d.moved[1].Serial != "X-cal-1-1" || d.moved[1].To == record.Hold {
		t.Errorf("%+v", d.moved)
	}
	d.scan("CMD UNREADABLE")
	d.want(0, "", "note")
}
