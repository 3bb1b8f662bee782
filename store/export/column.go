package export

import (
	"strconv"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store"
)

// cell is one value of a row.
type cell struct {
	kind kind
	text string
	num  float64
	int  int64 // of a whole number, of true (1) and false (0), and of a time in ns
}

type kind int

const (
	text   kind = iota // from the log: anything
	whole              // the same in CSV and JSON
	truth              // true or false, likewise
	moment             // RFC 3339, UTC
	number
)

func word(s string) cell      { return cell{kind: text, text: s} }
func count(n int64) cell      { return cell{kind: whole, int: n} }
func at(t time.Time) cell     { return cell{kind: moment, int: t.UnixNano()} }
func measured(f float64) cell { return cell{kind: number, num: f} }

func yes(b bool) cell {
	if b {
		return cell{kind: truth, int: 1}
	}
	return cell{kind: truth}
}

// plain is how a cell that is neither text nor a number is written.
func (c cell) plain() string {
	switch c.kind {
	case truth:
		return strconv.FormatBool(c.int == 1)
	case moment:
		return time.Unix(0, c.int).UTC().Format(time.RFC3339Nano)
	}
	return strconv.FormatInt(c.int, 10)
}

// column is one column of a table with a row for each R.
type column[R any] struct {
	name string
	kind kind
	unit string // UCUM code, "" for what is no quantity
	get  func(*R) cell
}

// attemptColumns is how many columns say which attempt it is, before its quantities.
const attemptColumns = 20

// columns returns the columns of the table of attempts in order.
func columns() []column[store.Row] {
	type of = column[store.Row]
	list := []of{
		{"serial", text, "", func(r *store.Row) cell { return word(r.Serial) }},
		{"attempt", whole, "", func(r *store.Row) cell { return count(int64(r.AttemptNo)) }},
		{"time", moment, "", func(r *store.Row) cell { return at(r.Time) }},
		{"outcome", text, "", func(r *store.Row) cell { return word(string(r.Outcome)) }},
		{"soft_bin", whole, "", func(r *store.Row) cell { return count(int64(r.SoftBin)) }},
		{"hard_bin", whole, "", func(r *store.Row) cell { return count(int64(r.HardBin)) }},
		{"disposition", text, "", func(r *store.Row) cell { return word(string(r.Disposition)) }},
		{"released", truth, "", func(r *store.Row) cell { return yes(r.Released) }},
		{"purpose", text, "", func(r *store.Row) cell { return word(string(r.Purpose)) }},
		{"product", text, "", func(r *store.Row) cell { return word(r.Product) }},
		{"limits", text, "", func(r *store.Row) cell { return word(r.LimitsRev) }},
		{"nest", text, "", func(r *store.Row) cell { return word(r.Nest) }},
		{"sequence", whole, "", func(r *store.Row) cell { return count(int64(r.Sequence)) }},
		{"generation", whole, "", func(r *store.Row) cell { return count(int64(r.Generation)) }},
		{"station", text, "", func(r *store.Row) cell { return word(r.Station) }},
		{"operator", text, "", func(r *store.Row) cell { return word(r.Operator) }},
		{"order", text, "", func(r *store.Row) cell { return word(r.Order) }},
		{"window_lot", text, "", func(r *store.Row) cell { return word(r.WindowLot) }},
		{"gasket_lot", text, "", func(r *store.Row) cell { return word(r.GasketLot) }},
		{"emitter_lot", text, "", func(r *store.Row) cell { return word(r.EmitterLot) }},
	}
	for _, d := range quantity.All() {
		names := []string{"", "_u"}
		if d.Zoned {
			for _, side := range []string{"_high", "_low"} {
				for k := range quantity.Guards {
					names = append(names, side+strconv.Itoa(k))
				}
			}
		}
		for i, suffix := range names {
			n := d.Column + i
			list = append(list, of{string(d.Name) + suffix, number, d.Unit, func(r *store.Row) cell { return measured(r.Quantities[n]) }})
		}
	}
	return list
}
