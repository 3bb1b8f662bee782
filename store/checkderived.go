package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store/column"
)

// prepare settles what of the records is kept to be compared with what is
// derived of them.
func (s *segmentCheck) prepare(f *segment, sealed bool) {
	c, h := s.checker, f.header
	if h.Number == 0 {
		return
	}
	s.wantRows = sealed && !c.proven(columnsName(s.number))
	if slices.ContainsFunc(c.index, func(x *checkedIndex) bool { return x.covers(s.number) }) {
		s.recent = newRecent(position{Store: h.Store, Station: h.Station, Generation: h.Generation, Segment: s.number, Offset: f.start, Sequence: h.Sequence, Hash: h.Hash})
	}
}

// proven says whether a derived file is the one whose digest the log knows, so
// that it need not be made anew to be proven.
func (c *checker) proven(name string) bool {
	want, known := c.digests[name]
	if !known || c.options.Deep {
		return false
	}
	have, err := digestOf(c.disk, filepath.Join(c.dir, name))
	return err == nil && have == want // what is wrong with it shows when it is compared
}

// derived holds what is derived of a segment against its records.
func (s *segmentCheck) derived() error {
	whole := len(s.report.Problems) == 0
	if err := s.columns(whole); err != nil {
		return err
	}
	s.rows, s.changes = nil, nil // the result waits for its turn
	return s.compareIndex(whole)
}

// columns holds the columns of a segment against its records, if there was no
// damage among those.
func (s *segmentCheck) columns(whole bool) error {
	if !s.wantRows {
		return nil
	}
	c, name := s.checker, columnsName(s.number)
	files := columns{disk: c.disk, dir: c.dir}
	part, err := files.sealed(s.number)
	if errors.Is(err, ErrDamaged) { // the check of the next will say so
		return nil
	}
	if err != nil {
		return err
	}
	b, found, f, err := files.open(c.dir, part)
	switch {
	case errors.Is(err, os.ErrNotExist): // costs readers time, and is made at the next start
		return nil
	case errors.Is(err, errOutdated):
		s.outdated++
		return nil
	case err != nil:
		return s.take(err)
	}
	defer f.Close()
	kept, err := unpackRows(b, quantity.All())
	if errors.Is(err, column.ErrDamaged) {
		s.problem(name, -1, err.Error())
		return nil
	}
	if err != nil || !whole {
		return err
	}
	if !slices.Equal(found.Changes, s.changes) {
		s.problem(name, -1, "its changes of disposition are not those of the records")
	}
	if len(kept) != len(s.rows) {
		s.problem(name, -1, fmt.Sprintf("it has %d rows of %d attempts", len(kept), len(s.rows)))
		return nil
	}
	for i := range kept {
		if !kept[i].same(&s.rows[i]) {
			s.badRecord(name, s.rows[i].Sequence, -1, fmt.Sprintf("the row of record %d is not as its record makes it", s.rows[i].Sequence))
		}
	}
	return nil
}
