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
}

type kind int

const (
	text    kind = iota // from the log: anything
	literal             // the same in CSV and JSON: a whole number, true, false
	number
)

func word(s string) cell      { return cell{kind: text, text: s} }
func whole(n int64) cell      { return cell{kind: literal, text: strconv.FormatInt(n, 10)} }
func yes(b bool) cell         { return cell{kind: literal, text: strconv.FormatBool(b)} }
func measured(f float64) cell { return cell{kind: number, num: f} }

// column is one column of the table.
type column struct {
	name string
	unit string // UCUM code, "" for what is no quantity
	get  func(*store.Row) cell
}

// columns returns the table's columns in order.
func columns() []column {
	list := []column{
		{"serial", "", func(r *store.Row) cell { return word(r.Serial) }},
		{"attempt", "", func(r *store.Row) cell { return whole(int64(r.AttemptNo)) }},
		{"time", "", func(r *store.Row) cell { return word(r.Time.UTC().Format(time.RFC3339Nano)) }},
		{"outcome", "", func(r *store.Row) cell { return word(string(r.Outcome)) }},
		{"soft_bin", "", func(r *store.Row) cell { return whole(int64(r.SoftBin)) }},
		{"hard_bin", "", func(r *store.Row) cell { return whole(int64(r.HardBin)) }},
		{"disposition", "", func(r *store.Row) cell { return word(string(r.Disposition)) }},
		{"released", "", func(r *store.Row) cell { return yes(r.Released) }},
		{"purpose", "", func(r *store.Row) cell { return word(string(r.Purpose)) }},
		{"product", "", func(r *store.Row) cell { return word(r.Product) }},
		{"limits", "", func(r *store.Row) cell { return word(r.LimitsRev) }},
		{"nest", "", func(r *store.Row) cell { return word(r.Nest) }},
		{"sequence", "", func(r *store.Row) cell { return cell{kind: literal, text: strconv.FormatUint(r.Sequence, 10)} }},
		{"generation", "", func(r *store.Row) cell { return whole(int64(r.Generation)) }},
		{"station", "", func(r *store.Row) cell { return word(r.Station) }},
		{"operator", "", func(r *store.Row) cell { return word(r.Operator) }},
		{"order", "", func(r *store.Row) cell { return word(r.Order) }},
		{"window_lot", "", func(r *store.Row) cell { return word(r.WindowLot) }},
		{"gasket_lot", "", func(r *store.Row) cell { return word(r.GasketLot) }},
		{"emitter_lot", "", func(r *store.Row) cell { return word(r.EmitterLot) }},
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
			at := d.Column + i
			list = append(list, column{string(d.Name) + suffix, d.Unit, func(r *store.Row) cell { return measured(r.Quantities[at]) }})
		}
	}
	return list
}
