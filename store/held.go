package store

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"example.org/panecal/store/record"
)

// Held is a unit that is on hold now.
type Held struct {
	Serial string // or the label where only that is known
	Since  time.Time
	// By is the record that put it on hold: an attempt, or a change of disposition.
	// One that says the same again changes nothing.
	By record.Entry
}

// Holds returns the units that are on hold now, the longest first. What
// moves a unit, see [record.Standing]. It goes once through the columns of all
// attempts, and reads one record a unit.
func (r *Reader) Holds() ([]Held, error) {
	last, _, recent, changes, err := r.newest()
	if err != nil || last == 0 {
		return nil, err
	}
	now, err := r.standing(last, true, recent, changes)
	if err != nil {
		return nil, err
	}
	var list []Held
	for serial, u := range now.units {
		if u.At != record.Hold {
			continue
		}
		all, err := r.BySerial(serial)
		if err != nil {
			return nil, err
		}
		i := slices.IndexFunc(all, func(e record.Entry) bool { return e.Ref.Sequence == u.by })
		if i < 0 {
			return nil, fmt.Errorf("record %d, which puts %s on hold: %w", u.by, serial, ErrNotFound)
		}
		list = append(list, Held{serial, all[i].Time, all[i]})
	}
	slices.SortFunc(list, func(a, b Held) int { return cmp.Compare(a.By.Ref.Sequence, b.By.Ref.Sequence) })
	return list, nil
}
