package store

import (
	"errors"
	"sync"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store/column"
	"example.org/panecal/store/record"
)

// Block is some hundred attempts of a log, column by column, in log order. It is
// only valid during the call that it is given to.
type Block struct {
	// Block has the columns: those of a Row by its names there in lower case, such
	// as "sequence", "soft_bin" and "serial", and of each quantity NAME, NAME_u and,
	// for one a zone, NAME_high0 to NAME_high3 and NAME_low0 to NAME_low3. What is
	// asked for is read, and nothing else.
	Columns
	Station     string
	Part, Parts int // which part of the log it is, from 1, of how many
	now         func() (*standing, error)
}

// OnHold says that the unit with this serial is on hold now, where the filter
// asked for those that are.
func (b *Block) OnHold(serial string) (bool, error) {
	now, err := b.now()
	if err != nil {
		return false, err
	}
	return now.units[serial].At == record.Hold, nil
}

// Blocks gives the attempts of the whole log in blocks, in log order, until each
// returns an error. Blocks of another time than f picks are left out; the rest of f
// is for [Block.Picked]. No record is read but those of the last segment.
func (r *Reader) Blocks(f Filter, each func(*Block) error) error {
	last, station, recent, changes, err := r.newest()
	if err != nil || last == 0 {
		return err
	}
	// It goes through the whole log, and most questions do not want it.
	now := sync.OnceValues(func() (*standing, error) {
		s, err := r.standing(last, f.OnHold, recent, changes)
		return &s, err
	})
	for n := uint32(1); n < last; n++ {
		// A block that turns out to be damaged comes again, made of the records: what
		// was given of it is not given twice.
		given := false
		err := r.columns.use(n, func(b *column.Block, a *about) error {
			if given || a.excludes(b, &f) {
				return nil
			}
			err := each(&Block{b, station, int(n), int(last), now})
			given = err == nil
			return err
		})
		if err != nil {
			return err
		}
	}
	if len(recent) == 0 {
		return nil
	}
	_, data, err := blockOf(stands{}, recent, nil)
	if err != nil {
		return err
	}
	b, err := column.Open(bytesAt(data), int64(len(data)))
	if err != nil {
		return err
	}
	return each(&Block{b, station, int(last), int(last), now})
}

// newest returns the number of the last segment, 0 for none, and what stands in it.
func (r *Reader) newest() (last uint32, station string, recent []Row, changes []change, err error) {
	limit, err := r.promised()
	if err != nil {
		return 0, "", nil, nil, err
	}
	numbers, err := segments(r.disk, r.dir, journalKind)
	if err != nil || len(numbers) == 0 {
		return 0, "", nil, nil, err
	}
	last = numbers[len(numbers)-1]
	station, recent, changes, err = r.tail(last, limit)
	for tries := 0; tries < 3 && errors.Is(err, errConflict); tries++ {
		// It followed a record whose writing failed; the log went on before it.
		station, recent, changes, err = r.tail(last, limit)
	}
	return last, station, recent, changes, err
}

// Picked returns the rows that f picks, with the quantities wanted.
func (b *Block) Picked(f *Filter, wanted []quantity.Definition) ([]Row, error) {
	rows, err := unpackRows(b.Columns, wanted)
	if err != nil {
		return nil, err
	}
	now, err := b.now()
	if err != nil {
		return nil, err
	}
	n := 0
	for i := range rows {
		rows[i].Station = b.Station
		now.tell(&rows[i])
		if f.Match(&rows[i]) {
			rows[n] = rows[i]
			n++
		}
	}
	return rows[:n], nil
}
