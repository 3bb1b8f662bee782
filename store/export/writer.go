package export

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"example.org/panecal/limits/visible"
	"example.org/panecal/store"
)

// Format is a form of the table.
type Format string

// The formats.
const (
	CSV     Format = "csv"
	JSONL   Format = "jsonl"
	Parquet Format = "parquet"
)

// Formats returns all formats.
func Formats() []Format { return []Format{CSV, JSONL, Parquet} }

// Writer writes a table of attempts. It is for one goroutine.
type Writer = Table[store.Row]

// NewWriter begins a table of attempts on w: with CSV it writes the line of names.
func NewWriter(w io.Writer, f Format) (*Writer, error) {
	return newTable(w, f, "attempts", columns())
}

// Table writes rows. It is for one goroutine.
type Table[R any] struct {
	out     *bufio.Writer
	format  Format
	columns []column[R]
	keys    []string // of JSON, with quotes and colon
	line    []byte
	parquet *parquetTable[R]
}

func newTable[R any](w io.Writer, f Format, name string, columns []column[R]) (*Table[R], error) {
	t := &Table[R]{out: bufio.NewWriterSize(w, 64<<10), format: f, columns: columns}
	switch f {
	case CSV:
		for i, c := range t.columns {
			if i > 0 {
				t.line = append(t.line, ',')
			}
			t.line = append(t.line, c.name...)
		}
		return t, t.end()
	case JSONL:
		for _, c := range t.columns {
			t.keys = append(t.keys, strconv.Quote(c.name)+":")
		}
		return t, nil
	case Parquet:
		var err error
		t.parquet, err = newParquet(t.out, name, columns)
		return t, err
	}
	return nil, fmt.Errorf("unknown format %q: want one of %v", f, Formats())
}

// Write adds a row. It keeps nothing of r.
func (t *Table[R]) Write(r *R) error {
	if t.parquet != nil {
		return t.parquet.write(r)
	}
	if t.format == JSONL {
		t.line = append(t.line, '{')
	}
	for i, c := range t.columns {
		if i > 0 {
			t.line = append(t.line, ',')
		}
		v := c.get(r)
		if t.format == CSV {
			t.line = appendCSV(t.line, v)
		} else {
			t.line = appendJSON(append(t.line, t.keys[i]...), v)
		}
	}
	if t.format == JSONL {
		t.line = append(t.line, '}')
	}
	return t.end()
}

func (t *Table[R]) end() error {
	_, err := t.out.Write(append(t.line, '\n'))
	t.line = t.line[:0]
	return err
}

// Flush writes what is still held back. The table is whole after it, and takes no
// more rows.
func (t *Table[R]) Flush() error {
	if t.parquet != nil {
		if err := t.parquet.close(); err != nil {
			return err
		}
	}
	return t.out.Flush()
}

// WriteUnits writes the second table: the UCUM code of each column that holds a
// quantity, as CSV.
func WriteUnits(w io.Writer) error { return writeUnits(w, columns()) }

func writeUnits[R any](w io.Writer, columns []column[R]) error {
	line := []byte("column,unit\n")
	for _, c := range columns {
		if c.unit != "" {
			line = append(append(append(line, c.name...), ','), c.unit...)
			line = append(line, '\n')
		}
	}
	_, err := w.Write(line)
	return err
}

func finite(f float64) bool { return !math.IsNaN(f) && !math.IsInf(f, 0) }

func appendCSV(b []byte, v cell) []byte {
	switch v.kind {
	case whole, truth, moment:
		return append(b, v.plain()...)
	case number:
		if !finite(v.num) {
			return b
		}
		return strconv.AppendFloat(b, v.num, 'g', -1, 64)
	}
	s := visible.Text(v.text)
	if s != "" && strings.ContainsRune("=+-@", rune(s[0])) {
		s = "'" + s
	}
	if !strings.ContainsAny(s, `",`) && strings.TrimSpace(s) == s {
		return append(b, s...)
	}
	return append(append(append(b, '"'), strings.ReplaceAll(s, `"`, `""`)...), '"')
}

func appendJSON(b []byte, v cell) []byte {
	switch v.kind {
	case whole, truth:
		return append(b, v.plain()...)
	case moment:
		return append(append(append(b, '"'), v.plain()...), '"')
	case number:
		if !finite(v.num) {
			return append(b, "null"...)
		}
		return strconv.AppendFloat(b, v.num, 'g', -1, 64)
	}
	quoted, err := json.Marshal(v.text)
	if err != nil {
		panic(err) // a string always has a form
	}
	return append(b, visible.JSON(quoted)...)
}
