package store

import (
	"fmt"

	"example.org/panecal/store/record"
)

// Carried is a record as another history takes it in: its own bytes, beside what they
// say of themselves.
type Carried struct {
	record.Skimmed
	Data []byte // whose SHA-256 is Ref.Hash
	// Body is that of an attempt or a change of disposition, nil for other kinds.
	Body record.Body
}

// Row returns the row of an attempt, with Station set; false for other kinds.
func (c *Carried) Row() (Row, bool, error) {
	a, ok := c.Body.(*record.Attempt)
	if !ok {
		return Row{}, false, nil
	}
	row, err := rowOf(record.Entry{Ref: c.Ref, Time: c.Time, Body: a}, a)
	row.Station = c.Ref.Station
	return row, true, err
}

// Identity returns what the log was given when it was made, and keeps for ever.
func (r *Reader) Identity() (record.Hash, error) {
	var id record.Hash
	err := r.view(func(v *view) error { id = v.pos.Store; return nil })
	return id, err
}

// Numbered returns the name of the record with this number, without reading it;
// ErrNotFound if the log has none.
func (r *Reader) Numbered(sequence uint64) (record.Ref, error) {
	var ref record.Ref
	err := r.view(func(v *view) error {
		e, err := v.entry(sequence)
		if err != nil {
			return err
		}
		ref = record.Ref{Station: v.pos.Station, Generation: e.generation, Sequence: sequence, Hash: e.hash}
		return nil
	})
	return ref, err
}

// AtStation returns the record of that generation and number if the log is that
// station's; ErrNotFound else.
func (r *Reader) AtStation(station string, generation uint32, sequence uint64) (record.Entry, error) {
	e, err := r.At(generation, sequence)
	if err == nil && e.Ref.Station != station {
		return record.Entry{}, ErrNotFound
	}
	return e, err
}

// Carry returns the records after a record in log order, the zero Ref for the
// beginning: all of one generation, at most so many records, and no more than so many bytes but for
// the first. Each is proven by its hash, and to follow from the one before. None are
// left where it returns none.
func (r *Reader) Carry(after record.Ref, most, bytes int) ([]Carried, error) {
	var list []Carried
	err := r.view(func(v *view) error {
		list = nil
		previous, size := after.Hash, 0
		for sequence := after.Sequence + 1; sequence <= v.pos.Sequence && len(list) < most; sequence++ {
			known, err := v.entry(sequence)
			if err != nil {
				return err
			}
			if len(list) > 0 && known.generation != list[0].Ref.Generation {
				return nil
			}
			data, _, err := v.bytes(place{known.generation, sequence}, &known.hash)
			if err != nil {
				return err
			}
			if size += len(data); size > bytes && len(list) > 0 {
				return nil
			}
			c := Carried{Data: data}
			c.Skimmed, err = record.Skim(data)
			if err == nil && c.Previous != previous {
				err = fmt.Errorf("record %d does not follow from the one before", sequence)
			}
			if err == nil && (c.Kind == record.KindAttempt || c.Kind == record.KindDispositionChange) {
				// The others are carried as they are, and nobody asks more of them.
				var e record.Entry
				if e, err = record.Decode(data); err == nil {
					if err := v.complete(&e); err != nil {
						return err
					}
					c.Body = e.Body
				}
			}
			if err != nil {
				return &DamageError{File: journalKind.name(known.at.segment), Offset: known.at.offset, What: err.Error()}
			}
			list, previous = append(list, c), c.Ref.Hash
		}
		return nil
	})
	return list, err
}
