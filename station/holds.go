package station

import (
	"cmp"
	"slices"
	"time"

	"example.org/panecal/store/record"
)

// OnHold is a unit that is on hold.
type OnHold struct {
	Serial string
	Since  time.Time // a unit that is held again has been on hold since the first time
	Box    string    // number of the box that it was put into before, "" for none
	Why    Code      // of the verdict or the change that put it there, "" where the record has none
	// Decided: only another decision takes the unit off hold, no verdict does. Reason
	// is what it says.
	Decided bool
	Reason  string
}

// holds are the units on hold, by serial. What was so at the start comes from the
// log, [Config.Holds]; it is kept up from there.
type holds map[string]OnHold

// heldBy is what a record says that puts a unit on hold.
func heldBy(e record.Entry) OnHold {
	h := OnHold{Serial: e.Body.Subject().Serial, Since: e.Time}
	switch b := e.Body.(type) {
	case *record.Attempt:
		if k := len(b.Problems); k > 0 {
			h.Why = Code(b.Problems[k-1].Code)
		}
	case *record.DispositionChange:
		return changedBy(b, e.Time)
	}
	return h
}

// changedBy is what a change of disposition says that puts a unit on hold.
func changedBy(c *record.DispositionChange, at time.Time) OnHold {
	h := OnHold{Serial: c.Serial, Since: at, Why: Code(c.Code)}
	if c.Firm {
		h.Why, h.Decided, h.Reason = RefusedHeld, true, c.Why
	}
	return h
}

// stands takes in where a unit is now.
func (h holds) stands(d Disposition, unit OnHold) {
	if unit.Serial == "" {
		return
	}
	old, already := h[unit.Serial]
	switch {
	case old.Decided && !unit.Decided:
	case d != Hold:
		delete(h, unit.Serial)
	case !already:
		h[unit.Serial] = unit
	case unit.Decided:
		old.Decided, old.Why, old.Reason = true, unit.Why, unit.Reason
		h[unit.Serial] = old
	}
}

// at is where a unit is for which d was said last: on hold still, where that was
// decided.
func (h holds) at(serial string, d Disposition) Disposition {
	if h[serial].Decided {
		return Hold
	}
	return d
}

// list has the longest first.
func (h holds) list() []OnHold {
	var all []OnHold
	for _, unit := range h {
		all = append(all, unit)
	}
	slices.SortFunc(all, func(a, b OnHold) int { return cmp.Or(a.Since.Compare(b.Since), cmp.Compare(a.Serial, b.Serial)) })
	return all
}

// heldNow are the units on hold, and where they lie.
func (m *Machine) heldNow() []OnHold {
	all := m.holds.list()
	for i := range all {
		all[i].Box = m.units[all[i].Serial].box
	}
	return all
}

// onHold reports whether a unit is on hold.
func (m *Machine) onHold(serial string) bool {
	_, is := m.holds[serial]
	return is
}
