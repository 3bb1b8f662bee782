package store

import (
	"example.org/panecal/store/column"
	"example.org/panecal/store/record"
)

// change is what a file of columns keeps of a change of disposition.
type change struct {
	Sequence uint64             `json:"sequence"`
	Attempt  uint64             `json:"attempt"` // sequence of the attempt that it names, 0 for none
	Serial   string             `json:"serial"`
	To       record.Disposition `json:"to"`
	Firm     bool               `json:"firm,omitempty"`
}

func changeOf(e record.Entry, d *record.DispositionChange) change {
	c := change{Sequence: e.Ref.Sequence, Serial: d.Serial, To: d.To, Firm: d.Firm}
	if d.Attempt != nil {
		c.Attempt = d.Attempt.Sequence
	}
	return c
}

// standing is how attempts and units stand after all changes of disposition.
// It holds the changed attempts and the units that are on hold or were decided
// about: all are few.
type standing struct {
	changed map[uint64]record.Disposition // by the attempt's sequence: where its newest change led to
	units   map[string]whereabouts        // by serial
}

// whereabouts is where a unit stands, and the record that put it there.
type whereabouts struct {
	record.Standing
	by uint64
}

// standing reads the changes of the whole log; with held, also which units are
// on hold, for which it goes once through all attempts without their numbers.
func (r *Reader) standing(last uint32, held bool, recent []Row, changes []change) (standing, error) {
	s := standing{map[uint64]record.Disposition{}, map[string]whereabouts{}}
	for n := uint32(1); n < last; n++ {
		err := r.columns.use(n, func(b *column.Block, a *about) (err error) {
			var rows []Row
			if held {
				if rows, err = unpackRows(b, nil); err != nil {
					return err
				}
			}
			s.add(rows, a.Changes)
			return nil
		})
		if err != nil {
			return s, err
		}
	}
	s.add(recent, changes)
	return s, nil
}

// add takes in attempts and changes in log order.
func (s *standing) add(rows []Row, changes []change) {
	for len(rows) > 0 || len(changes) > 0 {
		if len(changes) == 0 || len(rows) > 0 && rows[0].Sequence < changes[0].Sequence {
			// A check unit's or an audit's result decides nothing about the unit.
			r := &rows[0]
			s.stands(r.Serial, r.Sequence, func(u *record.Standing) { u.Verdict(r.Purpose, r.Disposition) })
			rows = rows[1:]
			continue
		}
		c := changes[0]
		if c.Attempt != 0 {
			s.changed[c.Attempt] = c.To
		}
		s.stands(c.Serial, c.Sequence, func(u *record.Standing) { u.Change(c.To, c.Firm) })
		changes = changes[1:]
	}
}

// stands: a unit that is held again has been on hold since the first time.
func (s *standing) stands(serial string, by uint64, moves func(*record.Standing)) {
	u := s.units[serial]
	was := u.At
	moves(&u.Standing)
	if u.At != was {
		u.by = by
	}
	if u.At == record.Hold || u.Firm {
		s.units[serial] = u
	} else {
		delete(s.units, serial)
	}
}

// tell completes a row.
func (s *standing) tell(r *Row) {
	now := r.Disposition
	if to, ok := s.changed[r.Sequence]; ok {
		now = to
	}
	u := s.units[r.Serial]
	r.Released = r.Purpose == record.Production && r.Outcome == record.Passed && r.Written && now == record.Release && !u.Firm
	r.OnHold = u.At == record.Hold
}
