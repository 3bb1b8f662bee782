package export

import (
	"encoding/json"
	"fmt"
	"io"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"
	"github.com/parquet-go/parquet-go/encoding"
)

// rowsInGroup bounds what a writer holds: a row group is whole before its columns go
// out one after the other.
const rowsInGroup = 10_000

// parquetTable writes rows as Parquet. A number that is not known or not finite, and
// an empty text, are null; times are nanoseconds, UTC. The file's own metadata holds
// the units under the key panecal.units, as one JSON object of UCUM codes by column.
type parquetTable[R any] struct {
	out     *parquet.GenericWriter[any]
	columns []column[R]
	leaf    []int // place of a column among the leaves
	rows    []parquet.Row
	held    int // rows in the group
}

// fields is a group whose fields stand in the order given: a parquet.Group sorts them.
type fields struct {
	parquet.Group
	order []parquet.Field
}

func (f fields) Fields() []parquet.Field { return f.order }

func node(k kind) parquet.Node {
	switch k {
	case whole:
		return parquet.Int(64)
	case truth:
		return parquet.Leaf(parquet.BooleanType)
	case moment:
		return parquet.Timestamp(parquet.Nanosecond)
	case number:
		return parquet.Optional(parquet.Encoded(parquet.Leaf(parquet.DoubleType), encodingOf(k)))
	}
	return parquet.Optional(parquet.Encoded(parquet.String(), encodingOf(k)))
}

func encodingOf(k kind) encoding.Encoding {
	if k == number {
		return &parquet.Plain
	}
	return &parquet.RLEDictionary // names come again and again
}

func newParquet[R any](w io.Writer, name string, columns []column[R]) (*parquetTable[R], error) {
	// One codec for all columns: each has encoders of its own, with windows of
	// megabytes.
	codec := &zstd.Codec{Level: zstd.SpeedFastest}
	group, units := parquet.Group{}, map[string]string{}
	for _, c := range columns {
		group[c.name] = parquet.Compressed(node(c.kind), codec)
		if c.unit != "" {
			units[c.name] = c.unit
		}
	}
	byName := map[string]parquet.Field{}
	for _, f := range group.Fields() {
		byName[f.Name()] = f
	}
	ordered := fields{Group: group}
	for _, c := range columns {
		ordered.order = append(ordered.order, byName[c.name])
	}
	text, err := json.Marshal(units)
	if err != nil {
		return nil, err
	}
	schema := parquet.NewSchema(name, ordered)
	t := &parquetTable[R]{columns: columns, rows: make([]parquet.Row, 0, 64)}
	for _, c := range columns {
		leaf, ok := schema.Lookup(c.name)
		if !ok {
			return nil, fmt.Errorf("no column %q in the schema", c.name)
		}
		t.leaf = append(t.leaf, leaf.ColumnIndex)
	}
	t.out = parquet.NewGenericWriter[any](w, schema, parquet.KeyValueMetadata("panecal.units", string(text)), parquet.CreatedBy("panecal", "", ""),
		parquet.PageBufferSize(64<<10), parquet.WriteBufferSize(0), parquet.ColumnPageBuffers(parquet.NewBufferPool()))
	return t, nil
}

func (t *parquetTable[R]) write(r *R) error {
	n := len(t.rows)
	t.rows = t.rows[:n+1]
	row := t.rows[n]
	if row == nil {
		row = make(parquet.Row, len(t.columns))
	}
	for i, c := range t.columns {
		v, defined := value(c.get(r)), 0
		if (c.kind == number || c.kind == text) && !v.IsNull() {
			defined = 1
		}
		row[t.leaf[i]] = v.Level(0, defined, t.leaf[i])
	}
	t.rows[n] = row
	if len(t.rows) < cap(t.rows) {
		return nil
	}
	return t.flush()
}

func value(c cell) parquet.Value {
	switch c.kind {
	case whole, moment:
		return parquet.Int64Value(c.int)
	case truth:
		return parquet.BooleanValue(c.int == 1)
	case number:
		if !finite(c.num) {
			return parquet.NullValue()
		}
		return parquet.DoubleValue(c.num)
	}
	if c.text == "" {
		return parquet.NullValue()
	}
	return parquet.ByteArrayValue([]byte(c.text))
}

func (t *parquetTable[R]) flush() error {
	if _, err := t.out.WriteRows(t.rows); err != nil {
		return err
	}
	t.held += len(t.rows)
	t.rows = t.rows[:0]
	if t.held < rowsInGroup {
		return nil
	}
	t.held = 0
	return t.out.Flush()
}

func (t *parquetTable[R]) close() error {
	if err := t.flush(); err != nil {
		return err
	}
	return t.out.Close()
}
