package desk

import (
	"slices"
	"strconv"
	"time"

	"example.org/panecal/limits/whatif"
	"example.org/panecal/store"
)

// mask says which attempts of a block a filter picks, from the columns that the
// filter speaks of and no others. Its slices are used from block to block.
type mask struct {
	picked []bool
	texts  []string
	ints   []int64
}

func (m *mask) of(b *store.Block, f *store.Filter) ([]bool, error) {
	return m.choose(b, b.Station, b.OnHold, f)
}

// choose does the same for attempts of a station; onHold says which units are.
func (m *mask) choose(b whatif.Rows, station string, onHold func(string) (bool, error), f *store.Filter) ([]bool, error) {
	n := b.Rows()
	m.picked = slices.Grow(m.picked[:0], n)[:n]
	for i := range m.picked {
		m.picked[i] = f.Station == "" || f.Station == station
	}
	text := func(want string, columns ...string) error {
		if want == "" {
			return nil
		}
		hit := make([]bool, n)
		for _, name := range columns {
			var err error
			if m.texts, err = b.Texts(name, m.texts); err != nil {
				return err
			}
			for i, v := range m.texts {
				hit[i] = hit[i] || v == want
			}
		}
		for i := range hit {
			m.picked[i] = m.picked[i] && hit[i]
		}
		return nil
	}
	for _, c := range []struct {
		want    string
		columns []string
	}{
		{f.Serial, []string{"serial"}}, {f.Product, []string{"product"}}, {f.Order, []string{"order"}}, {f.Nest, []string{"nest"}},
		{f.Operator, []string{"operator"}}, {string(f.Purpose), []string{"purpose"}}, {string(f.Outcome), []string{"outcome"}},
		{f.Lot, []string{"lot", "window_lot", "gasket_lot", "emitter_lot"}},
	} {
		if err := text(c.want, c.columns...); err != nil {
			return nil, err
		}
	}
	number := func(name string, takes func(int64) bool) (err error) {
		if m.ints, err = b.Ints(name, m.ints); err != nil {
			return err
		}
		for i, v := range m.ints {
			m.picked[i] = m.picked[i] && takes(v)
		}
		return nil
	}
	if f.Bin != "" {
		if bin, err := strconv.Atoi(f.Bin); err == nil {
			if err := number("soft_bin", func(v int64) bool { return v == int64(bin) }); err != nil {
				return nil, err
			}
		} else if err := text(f.Bin, "soft_bin_name"); err != nil {
			return nil, err
		}
	}
	if f.OnHold {
		var err error
		if m.texts, err = b.Texts("serial", m.texts); err != nil {
			return nil, err
		}
		for i, v := range m.texts {
			held, err := onHold(v)
			if err != nil {
				return nil, err
			}
			m.picked[i] = m.picked[i] && held
		}
	}
	if f.First {
		if err := number("attempt", func(v int64) bool { return v <= 1 }); err != nil {
			return nil, err
		}
	}
	if !f.Since.IsZero() || !f.Until.IsZero() {
		err := number("time_ns", func(v int64) bool {
			t := time.Unix(0, v)
			return (f.Since.IsZero() || !t.Before(f.Since)) && (f.Until.IsZero() || t.Before(f.Until))
		})
		if err != nil {
			return nil, err
		}
	}
	return m.picked, nil
}
