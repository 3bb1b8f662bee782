package central

import (
	"fmt"
	"strings"
	"time"

	"example.org/panecal/store"
)

// condition is what of a filter the engine looks at; the rest is for who reads the rows.
type condition struct {
	sql  []string
	args []any
}

func (r *Reader) condition(station string, f *store.Filter) (condition, error) {
	var c condition
	c.add("station = ?", station)
	if f.Operator != "" && !r.persons {
		return c, fmt.Errorf("--operator: %w", ErrPersons)
	}
	for _, w := range []struct{ sql, value string }{
		{"serial = ?", f.Serial}, {"product = ?", f.Product}, {`"order" = ?`, f.Order}, {"nest = ?", f.Nest}, {"operator = ?", f.Operator},
		{"purpose = ?", string(f.Purpose)}, {"outcome = ?", string(f.Outcome)}, {"? in (lot, window_lot, gasket_lot, emitter_lot)", f.Lot},
	} {
		if w.value != "" {
			c.add(w.sql, text(w.value))
		}
	}
	if !f.Since.IsZero() {
		c.add(`"time" >= ?`, f.Since.UTC().Truncate(time.Microsecond))
	}
	if !f.Until.IsZero() {
		c.add(`"time" <= ?`, f.Until.UTC())
	}
	if f.First {
		c.sql = append(c.sql, "attempt <= 1")
	}
	return c, nil
}

func (c *condition) add(sql string, value any) {
	c.args = append(c.args, value)
	c.sql = append(c.sql, strings.ReplaceAll(sql, "?", fmt.Sprintf("$%d", len(c.args))))
}

func (c *condition) String() string { return strings.Join(c.sql, " and ") }
