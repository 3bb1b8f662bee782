package desk

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store"
)

// rows is some attempts for package whatif, column by column. A set, where there
// is one, has the zones of its row.
type rows struct {
	list []store.Row
	sets []quantity.Set
}

const rowsAtATime = 1024

// add copies a row.
func (b *rows) add(r *store.Row, set quantity.Set) {
	if b.list == nil {
		b.list = make([]store.Row, 0, rowsAtATime)
	}
	q := r.Quantities
	if n := len(b.list); n < cap(b.list) {
		kept := b.list[: n+1 : cap(b.list)][n].Quantities // of an earlier block
		b.list = append(b.list, *r)
		b.list[n].Quantities = append(kept[:0], q...)
	}
	b.sets = append(b.sets, set)
}

// Rows is how many there are.
func (b *rows) Rows() int { return len(b.list) }

// Ints returns a column of whole numbers.
func (b *rows) Ints(name string, into []int64) ([]int64, error) {
	get, ok := map[string]func(*store.Row) int64{
		"sequence": func(r *store.Row) int64 { return int64(r.Sequence) },
		"attempt":  func(r *store.Row) int64 { return int64(r.AttemptNo) },
		"soft_bin": func(r *store.Row) int64 { return int64(r.SoftBin) },
	}[name]
	if !ok {
		return nil, fmt.Errorf("no column %q of whole numbers", name)
	}
	into = into[:0]
	for i := range b.list {
		into = append(into, get(&b.list[i]))
	}
	return into, nil
}

// Texts returns a column of names.
func (b *rows) Texts(name string, into []string) ([]string, error) {
	get, ok := map[string]func(*store.Row) string{
		"soft_bin_name": func(r *store.Row) string { return r.SoftName },
		"serial":        func(r *store.Row) string { return r.Serial },
		"nest":          func(r *store.Row) string { return r.Nest },
		"outcome":       func(r *store.Row) string { return string(r.Outcome) },
		"purpose":       func(r *store.Row) string { return string(r.Purpose) },
	}[name]
	if !ok {
		return nil, fmt.Errorf("no column %q of names", name)
	}
	into = into[:0]
	for i := range b.list {
		into = append(into, get(&b.list[i]))
	}
	return into, nil
}

// Floats returns a column of a quantity.
func (b *rows) Floats(name string, into []float64) ([]float64, error) {
	base, suffix := name, ""
	if i := strings.LastIndexByte(name, '_'); i >= 0 {
		if _, whole := quantity.Lookup(quantity.Name(name)); !whole {
			base, suffix = name[:i], name[i+1:]
		}
	}
	d, ok := quantity.Lookup(quantity.Name(base))
	if !ok {
		return nil, fmt.Errorf("no column %q of a quantity", name)
	}
	into = into[:0]
	column := d.Column
	side := strings.TrimRight(suffix, "-.0123456789e+")
	switch side {
	case "":
	case "u":
		column++
	case "high", "low":
		k, err := strconv.ParseFloat(suffix[len(side):], 64)
		if err != nil || !d.Zoned {
			return nil, fmt.Errorf("no column %q of a quantity", name)
		}
		if k != math.Trunc(k) || k < 0 || k >= quantity.Guards {
			return b.ofZones(d, side == "high", k, into)
		}
		column += 2 + int(k)
		if side == "low" {
			column += quantity.Guards
		}
	default:
		return nil, fmt.Errorf("no column %q of a quantity", name)
	}
	for i := range b.list {
		into = append(into, b.list[i].Quantities[column])
	}
	return into, nil
}

// ofZones makes a column that rows do not keep.
func (b *rows) ofZones(d quantity.Definition, high bool, k float64, into []float64) ([]float64, error) {
	for i, set := range b.sets {
		if set == nil {
			return nil, fmt.Errorf("attempt %d: its zones are not known, %s wants them for the guard factor %g", b.list[i].Sequence, d.Name, k)
		}
		m, ok := set[d.Name]
		switch {
		case !ok:
			into = append(into, math.NaN())
		case high:
			into = append(into, m.High(k))
		default:
			into = append(into, m.Low(k))
		}
	}
	return into, nil
}
