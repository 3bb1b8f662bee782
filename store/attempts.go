package store

import (
	"errors"
	"io"
	"slices"
	"strconv"
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
	Station      string
	Operator     string
	Purpose      record.Purpose
	Outcome      record.Outcome
	Bin          string // name or number of the soft bin
	First        bool   // no retests
	OnHold       bool   // of units that are on hold now
}

// Match says whether f picks r.
func (f *Filter) Match(r *Row) bool {
	is := func(want, have string) bool { return want == "" || want == have }
	return (f.Since.IsZero() || !r.Time.Before(f.Since)) && (f.Until.IsZero() || r.Time.Before(f.Until)) &&
		is(f.Serial, r.Serial) && is(f.Product, r.Product) && is(f.Order, r.Order) && is(f.Nest, r.Nest) && is(f.Station, r.Station) && is(f.Operator, r.Operator) &&
		is(string(f.Purpose), string(r.Purpose)) && is(string(f.Outcome), string(r.Outcome)) && (is(f.Bin, r.SoftName) || f.Bin == strconv.Itoa(r.SoftBin)) &&
		(f.Lot == "" || slices.Contains([]string{r.Lot, r.WindowLot, r.GasketLot, r.EmitterLot}, f.Lot)) &&
		(!f.First || r.AttemptNo <= 1) && (!f.OnHold || r.OnHold)
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
//
// Row.Released says that the unit passed in production, its constants were read
// back equal, and no change of disposition took the release back that was on
// record when the question was asked: a released mark that was not confirmed does
// (and its later confirmation gives it), and so does a contradiction between
// labels. A station that was ended between verdict and mark could not say so; the
// unit's next contact does.
func (r *Reader) Attempts(f Filter, quantities []quantity.Name, each func(*Row) error) error {
	var wanted []quantity.Definition
	for _, n := range quantities {
		if d, ok := quantity.Lookup(n); ok {
			wanted = append(wanted, d)
		}
	}
	return r.Blocks(f, func(b *Block) error {
		rows, err := b.Picked(&f, wanted)
		if err != nil {
			return err
		}
		for i := range rows {
			if err := each(&rows[i]); err != nil {
				return err
			}
		}
		return nil
	})
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

// gather returns the rows of the attempts that w comes to, and the changes of
// disposition.
func gather(w *walk) (rows []Row, changes []change, err error) {
	for {
		e, _, err := w.record()
		if errors.Is(err, io.EOF) {
			return rows, changes, nil
		}
		if err != nil {
			return nil, nil, err
		}
		switch b := e.Body.(type) {
		case *record.Attempt:
			row, err := rowOf(e, b)
			if err != nil {
				return nil, nil, err
			}
			rows = append(rows, row)
		case *record.DispositionChange:
			changes = append(changes, changeOf(e, b))
		}
	}
}
