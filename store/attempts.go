package store

import (
	"errors"
	"io"
	"slices"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store/record"
)

// Filter picks attempts. A field that is empty or zero picks all.
type Filter struct {
	Since, Until time.Time // recorded at Since or later, before Until
	Serial       string
	Product      string
	Lot          string // of the unit, or of its window, gasket or emitter
	Order        string
	Nest         string
	Operator     string
	Purpose      record.Purpose
	Outcome      record.Outcome
	Bin          string // name of the soft bin
	First        bool   // no retests
}

// Match says whether f picks r.
func (f *Filter) Match(r *Row) bool {
	is := func(want, have string) bool { return want == "" || want == have }
	return (f.Since.IsZero() || !r.Time.Before(f.Since)) && (f.Until.IsZero() || r.Time.Before(f.Until)) &&
		is(f.Serial, r.Serial) && is(f.Product, r.Product) && is(f.Order, r.Order) && is(f.Nest, r.Nest) && is(f.Operator, r.Operator) &&
		is(string(f.Purpose), string(r.Purpose)) && is(string(f.Outcome), string(r.Outcome)) && is(f.Bin, r.SoftName) &&
		(f.Lot == "" || slices.Contains([]string{r.Lot, r.WindowLot, r.GasketLot, r.EmitterLot}, f.Lot)) &&
		(!f.First || r.AttemptNo <= 1)
}

// excludes says that no record between the two times is picked.
func (f *Filter) excludes(first, last time.Time) bool {
	return !f.Since.IsZero() && last.Before(f.Since) || !f.Until.IsZero() && !first.Before(f.Until)
}

// Attempts gives the row of each attempt that f picks, in log order, until each
// returns an error. Of the quantities it reads those that are named, none if
// the list is empty; [AllQuantities] names all. No record is read but those of
// the last segment: the rest comes from the files of columns, some thousand
// rows at a time. The Row is only valid during the call.
func (r *Reader) Attempts(f Filter, quantities []quantity.Name, each func(*Row) error) error {
	var wanted []quantity.Definition
	for _, n := range quantities {
		if d, ok := quantity.Lookup(n); ok {
			wanted = append(wanted, d)
		}
	}
	limit, err := r.promised()
	if err != nil {
		return err
	}
	numbers, err := segments(r.disk, r.dir, journalKind)
	if err != nil || len(numbers) == 0 {
		return err
	}
	give := func(rows []Row) error {
		for i := range rows {
			if f.Match(&rows[i]) {
				if err := each(&rows[i]); err != nil {
					return err
				}
			}
		}
		return nil
	}
	last := numbers[len(numbers)-1]
	for n := uint32(1); n < last; n++ {
		rows, err := r.columns.rows(n, &f, wanted)
		if err != nil {
			return err
		}
		if err := give(rows); err != nil {
			return err
		}
	}
	rows, err := r.tail(last, limit)
	for tries := 0; tries < 3 && errors.Is(err, errConflict); tries++ {
		// It followed a record whose writing failed; the log went on before it.
		rows, err = r.tail(last, limit)
	}
	if err != nil {
		return err
	}
	return give(rows)
}

// tail returns the rows of the last segment, and of what began meanwhile.
func (r *Reader) tail(number uint32, limit mark) ([]Row, error) {
	w, err := walkFrom(r.disk, r.dir, number)
	if err != nil {
		return nil, err
	}
	w.promised = limit
	if r.acknowledged != nil {
		w.limit.segment, w.limit.end = limit.Journal, limit.JournalEnd
	}
	var rows []Row
	err = attemptsOf(w, func(row Row) error { rows = append(rows, row); return nil })
	return rows, errors.Join(err, w.close())
}

// AllQuantities names every quantity.
func AllQuantities() []quantity.Name {
	var list []quantity.Name
	for _, d := range quantity.All() {
		list = append(list, d.Name)
	}
	return list
}

// promised returns what was acknowledged before this moment.
func (r *Reader) promised() (mark, error) {
	if r.acknowledged != nil {
		return r.acknowledged(), nil
	}
	m, err := readMark(r.disk, r.dir)
	return m, ignoreMissing(err)
}

// attemptsOf gives the rows of the attempts that w comes to.
func attemptsOf(w *walk, each func(Row) error) error {
	for {
		e, _, err := w.record()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		a, ok := e.Body.(*record.Attempt)
		if !ok {
			continue
		}
		row, err := rowOf(e, a)
		if err != nil {
			return err
		}
		if err := each(row); err != nil {
			return err
		}
	}
}
