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
	Why    Code      // of the verdict or the change that put it there, "" where the record has none
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
		h.Why = Code(b.Code)
	}
	return h
}

// stands takes in where a unit is now.
func (h holds) stands(d Disposition, unit OnHold) {
	if unit.Serial == "" {
		return
	}
	if d != Hold {
		delete(h, unit.Serial)
	} else if _, already := h[unit.Serial]; !already {
		h[unit.Serial] = unit
	}
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

// onHold reports whether a unit is on hold.
func (m *Machine) onHold(serial string) bool {
	_, is := m.holds[serial]
	return is
}
