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
	CSV   Format = "csv"
	JSONL Format = "jsonl"
)

// Formats returns all formats.
func Formats() []Format { return []Format{CSV, JSONL} }

// Writer writes a table. It is for one goroutine.
type Writer struct {
	out     *bufio.Writer
	format  Format
	columns []column
	keys    []string // of JSON, with quotes and colon
	line    []byte
}

// NewWriter begins a table on w: with CSV it writes the line of names.
func NewWriter(w io.Writer, f Format) (*Writer, error) {
	t := &Writer{out: bufio.NewWriterSize(w, 64<<10), format: f, columns: columns()}
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
	}
	return nil, fmt.Errorf("unknown format %q: want csv or jsonl", f)
}

// Write adds a row. It keeps nothing of it.
func (t *Writer) Write(r *store.Row) error {
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

func (t *Writer) end() error {
	_, err := t.out.Write(append(t.line, '\n'))
	t.line = t.line[:0]
	return err
}

// Flush writes what is still held back. The table is whole after it.
func (t *Writer) Flush() error { return t.out.Flush() }

// WriteUnits writes the second table: the UCUM code of each column that holds a
// quantity, as CSV.
func WriteUnits(w io.Writer) error {
	line := []byte("column,unit\n")
	for _, c := range columns() {
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
	case literal:
		return append(b, v.text...)
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
	case literal:
		return append(b, v.text...)
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
