package store

import (
	"math"
	"slices"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store/column"
	"example.org/panecal/store/record"
)

// Row is what stands of an attempt beside its record, in columns: enough to
// find it, to judge it again and to count it. "" is "not known".
type Row struct {
	Generation  uint32
	Sequence    uint64
	Time        time.Time     // UTC, when it was recorded
	Took        time.Duration // from start to end
	AttemptNo   int
	SoftBin     int
	HardBin     int
	Signed      bool // limits and product were released with valid signatures
	Written     bool // constants were written, and read back equal
	Outcome     record.Outcome
	Purpose     record.Purpose
	Disposition record.Disposition // of its own verdict; a change may follow
	SoftName    string
	Serial      string // or the label where only that is known
	UnitID      string
	Product     string
	ProductRev  string
	Limits      string
	LimitsRev   string
	SheetRev    string
	Firmware    string
	Nest        string
	Operator    string
	Order       string
	Lot         string
	WindowLot   string
	GasketLot   string
	EmitterLot  string
	Software    string
	Quantities  quantity.Row // NaN where it was not measured

	// What follows is of the whole log: Attempts sets it, no column holds it.
	Station  string
	Released bool // see [Reader.Attempts]
	OnHold   bool // the unit is on hold now; set only where the filter asks
}

// rowOf returns the row of an attempt.
func rowOf(e record.Entry, a *record.Attempt) (Row, error) {
	q, err := a.Set().Row()
	if err != nil {
		return Row{}, err
	}
	r, j := &a.Run, &a.Judgement
	row := Row{
		Generation: e.Ref.Generation, Sequence: e.Ref.Sequence, Time: e.Time.UTC(),
		AttemptNo: r.AttemptNo, SoftBin: j.SoftBin, HardBin: j.HardBin, Signed: r.Limits.Signed && r.Product.Signed,
		Outcome: a.Outcome, Purpose: r.Purpose, Disposition: j.Disposition, SoftName: j.SoftName,
		Serial: a.Subject().Serial, UnitID: r.UnitID, Product: r.Product.Name, ProductRev: r.Product.Rev,
		Limits: r.Limits.Name, LimitsRev: r.Limits.Rev, SheetRev: r.Sheet.Rev, Firmware: r.Identity.Firmware, Nest: r.Nest,
		Operator: r.Operator, Order: r.WorkOrder, Lot: r.Lot, WindowLot: r.WindowLot, GasketLot: r.GasketLot, EmitterLot: r.EmitterLot,
		Software: r.Software, Quantities: q,
	}
	if !a.Started.IsZero() && !a.Finished.IsZero() {
		row.Took = a.Finished.Sub(a.Started)
	}
	if c := a.Constants; c != nil {
		row.Written = c.Equal()
	}
	return row, nil
}

// numbers and names are the columns of a Row but for the quantities. A name is
// for ever: it is never given another meaning. New ones come at the end of their
// list: rows that are packed one by one say how many they have.
var numbers = []struct {
	name string
	get  func(*Row) int64
	set  func(*Row, int64)
}{
	{"generation", func(r *Row) int64 { return int64(r.Generation) }, func(r *Row, v int64) { r.Generation = uint32(v) }},
	{"sequence", func(r *Row) int64 { return int64(r.Sequence) }, func(r *Row, v int64) { r.Sequence = uint64(v) }},
	{"time_ns", func(r *Row) int64 { return r.Time.UnixNano() }, func(r *Row, v int64) { r.Time = time.Unix(0, v).UTC() }},
	{"took_ns", func(r *Row) int64 { return int64(r.Took) }, func(r *Row, v int64) { r.Took = time.Duration(v) }},
	{"attempt", func(r *Row) int64 { return int64(r.AttemptNo) }, func(r *Row, v int64) { r.AttemptNo = int(v) }},
	{"soft_bin", func(r *Row) int64 { return int64(r.SoftBin) }, func(r *Row, v int64) { r.SoftBin = int(v) }},
	{"hard_bin", func(r *Row) int64 { return int64(r.HardBin) }, func(r *Row, v int64) { r.HardBin = int(v) }},
	{"signed", func(r *Row) int64 { return number(r.Signed) }, func(r *Row, v int64) { r.Signed = v == 1 }},
	{"written", func(r *Row) int64 { return number(r.Written) }, func(r *Row, v int64) { r.Written = v == 1 }},
}

var names = []struct {
	name string
	at   func(*Row) *string
}{
	{"outcome", func(r *Row) *string { return (*string)(&r.Outcome) }},
	{"purpose", func(r *Row) *string { return (*string)(&r.Purpose) }},
	{"disposition", func(r *Row) *string { return (*string)(&r.Disposition) }},
	{"soft_bin_name", func(r *Row) *string { return &r.SoftName }},
	{"serial", func(r *Row) *string { return &r.Serial }},
	{"unit_id", func(r *Row) *string { return &r.UnitID }},
	{"product", func(r *Row) *string { return &r.Product }},
	{"product_rev", func(r *Row) *string { return &r.ProductRev }},
	{"limits", func(r *Row) *string { return &r.Limits }},
	{"limits_rev", func(r *Row) *string { return &r.LimitsRev }},
	{"sheet_rev", func(r *Row) *string { return &r.SheetRev }},
	{"firmware", func(r *Row) *string { return &r.Firmware }},
	{"nest", func(r *Row) *string { return &r.Nest }},
	{"operator", func(r *Row) *string { return &r.Operator }},
	{"order", func(r *Row) *string { return &r.Order }},
	{"lot", func(r *Row) *string { return &r.Lot }},
	{"window_lot", func(r *Row) *string { return &r.WindowLot }},
	{"gasket_lot", func(r *Row) *string { return &r.GasketLot }},
	{"emitter_lot", func(r *Row) *string { return &r.EmitterLot }},
	{"software", func(r *Row) *string { return &r.Software }},
}

func number(b bool) int64 {
	if b {
		return 1
	}
	return 0
}

// quantityColumn is one column of quantity.Row.
type quantityColumn struct {
	name string
	at   int
}

// quantityColumns names the columns of the quantities: value, u, and for one a
// zone the largest and smallest value ± k·u.
func quantityColumns(of []quantity.Definition) []quantityColumn {
	var list []quantityColumn
	for _, d := range of {
		suffix := []string{"", "_u"}
		if d.Zoned {
			suffix = append(suffix, "_high0", "_high1", "_high2", "_high3", "_low0", "_low1", "_low2", "_low3")
		}
		for i, s := range suffix {
			list = append(list, quantityColumn{string(d.Name) + s, d.Column + i})
		}
	}
	return list
}

// packRows returns rows as a block of columns.
func packRows(about []byte, rows []Row) ([]byte, error) {
	b := column.NewBuilder(about, len(rows))
	n := make([]int64, len(rows))
	for _, c := range numbers {
		for i := range rows {
			n[i] = c.get(&rows[i])
		}
		b.Ints(c.name, n)
	}
	s := make([]string, len(rows))
	for _, c := range names {
		for i := range rows {
			s[i] = *c.at(&rows[i])
		}
		b.Texts(c.name, s)
	}
	f := make([]float64, len(rows))
	for _, c := range quantityColumns(quantity.All()) {
		for i := range rows {
			f[i] = rows[i].Quantities[c.at]
		}
		b.Floats(c.name, f)
	}
	return b.Bytes()
}

// Columns are rows column by column, each found by its name. What is asked for goes
// into the slice that is given, if that is long enough.
type Columns interface {
	Rows() int
	Ints(name string, into []int64) ([]int64, error)
	Texts(name string, into []string) ([]string, error)
	Floats(name string, into []float64) ([]float64, error)
}

// unpackRows returns the rows of a block, with the quantities asked for.
func unpackRows(b Columns, wanted []quantity.Definition) ([]Row, error) {
	rows := make([]Row, b.Rows())
	var n []int64
	var s []string
	var f []float64
	var err error
	for _, c := range numbers {
		if n, err = b.Ints(c.name, n); err != nil {
			return nil, err
		}
		for i := range rows {
			c.set(&rows[i], n[i])
		}
	}
	for _, c := range names {
		if s, err = b.Texts(c.name, s); err != nil {
			return nil, err
		}
		for i := range rows {
			*c.at(&rows[i]) = s[i]
		}
	}
	all := make([]float64, len(rows)*quantity.Columns)
	for i := range all {
		all[i] = math.NaN()
	}
	for i := range rows {
		rows[i].Quantities = all[i*quantity.Columns : (i+1)*quantity.Columns]
	}
	for _, c := range quantityColumns(wanted) {
		if f, err = b.Floats(c.name, f); err != nil {
			return nil, err
		}
		for i := range rows {
			rows[i].Quantities[c.at] = f[i]
		}
	}
	return rows, nil
}

// hasColumns says whether a block has every column that this program knows.
func hasColumns(b *column.Block) bool {
	for _, c := range numbers {
		if !b.Has(c.name) {
			return false
		}
	}
	for _, c := range names {
		if !b.Has(c.name) {
			return false
		}
	}
	return !slices.ContainsFunc(quantityColumns(quantity.All()), func(c quantityColumn) bool { return !b.Has(c.name) })
}

// same says whether two rows hold the same.
func (r *Row) same(o *Row) bool {
	for _, c := range numbers {
		if c.get(r) != c.get(o) {
			return false
		}
	}
	for _, c := range names {
		if *c.at(r) != *c.at(o) {
			return false
		}
	}
	return slices.EqualFunc(r.Quantities, o.Quantities, func(a, b float64) bool {
		return math.Float64bits(a) == math.Float64bits(b) || math.IsNaN(a) && math.IsNaN(b)
	})
}
