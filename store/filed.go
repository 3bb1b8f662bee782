package store

import (
	"cmp"
	"slices"

	"example.org/panecal/store/record"
)

// Filed gives the row of each attempt that is filed under a topic as term and that
// f picks, in log order, until each returns an error. It reads the records of these
// units alone, found through the index: what [Reader.Attempts] finds by going
// through a year, in a few reads. Released and OnHold are set as there, OnHold
// always. It returns how many records are filed so, attempts or not.
func (r *Reader) Filed(t Topic, term string, f Filter, each func(*Row) error) (records int, err error) {
	wanted := map[uint64]bool{}
	serials := []string{term}
	if t != Serial {
		serials = nil
	}
	err = r.Records(t, term, func(e record.Entry) error {
		records++
		wanted[e.Ref.Sequence] = true
		if s := e.Body.Subject().Serial; t != Serial && s != "" && !slices.Contains(serials, s) {
			serials = append(serials, s)
		}
		return nil
	})
	if err != nil {
		return records, err
	}
	var found []Row
	for _, s := range serials {
		rows, err := r.unitRows(s)
		if err != nil {
			return records, err
		}
		for _, row := range rows {
			if wanted[row.Sequence] && f.Match(&row) {
				found = append(found, row)
			}
		}
	}
	slices.SortFunc(found, func(a, b Row) int { return cmp.Compare(a.Sequence, b.Sequence) })
	for i := range found {
		if err := each(&found[i]); err != nil {
			return records, err
		}
	}
	return records, nil
}

// unitRows returns the attempts of a unit as they stand now.
func (r *Reader) unitRows(serial string) ([]Row, error) {
	var rows []Row
	var changes []change
	station := ""
	err := r.Records(Serial, serial, func(e record.Entry) error {
		station = e.Ref.Station
		switch b := e.Body.(type) {
		case *record.Attempt:
			row, err := rowOf(e, b)
			if err != nil {
				return err
			}
			rows = append(rows, row)
		case *record.DispositionChange:
			changes = append(changes, changeOf(e, b))
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	s := standing{map[uint64]record.Disposition{}, map[string]whereabouts{}}
	s.add(rows, changes)
	for i := range rows {
		rows[i].Station = station
		s.tell(&rows[i])
	}
	return rows, nil
}
