package study

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"math/big"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Table is a CSV file (RFC 4180) with a header line. Space around a cell does
// not count, nor do empty lines at the end.
type Table struct {
	header []string
	rows   [][]string
	lines  []int // in the file, of each row
}

// largestFile bounds the memory that a file may take.
const largestFile = 256 << 20

// ReadTable reads all of r. A mistake is told with its line.
func ReadTable(r io.Reader) (*Table, error) {
	data, err := io.ReadAll(io.LimitReader(r, largestFile+1))
	if err != nil {
		return nil, fmt.Errorf("reading the table: %w", err)
	}
	if len(data) > largestFile {
		return nil, fmt.Errorf("the table is larger than %d MiB: leave out columns or rows", largestFile>>20)
	}
	if bytes.HasPrefix(data, []byte{0xff, 0xfe}) || bytes.HasPrefix(data, []byte{0xfe, 0xff}) {
		return nil, errors.New("the table is UTF-16: save it as CSV in UTF-8")
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	if len(bytes.TrimSpace(data)) == 0 {
		return nil, errors.New("the table is empty: the first line names the columns")
	}
	return parseTable(data)
}

func parseTable(data []byte) (*Table, error) {
	c := csv.NewReader(bytes.NewReader(data))
	c.TrimLeadingSpace = true
	t := &Table{}
	next := 1 // the line on which the next row should begin
	var read int64
	for {
		cells, err := c.Read()
		if err == io.EOF {
			break
		}
		if errors.Is(err, csv.ErrFieldCount) {
			line, _ := c.FieldPos(0)
			return nil, fmt.Errorf("line %d has %d cells, the header %d: every row has a cell for every column (a decimal comma needs a decimal point)",
				line, len(cells), len(t.header))
		}
		if err != nil {
			return nil, fmt.Errorf("reading the table: %w", err)
		}
		line, _ := c.FieldPos(0)
		if line != next {
			return nil, fmt.Errorf("line %d is empty: delete it, or write the missing row", next)
		}
		next += bytes.Count(data[read:c.InputOffset()], []byte("\n"))
		read = c.InputOffset()
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		if t.header == nil {
			t.header = cells
			continue
		}
		t.rows, t.lines = append(t.rows, cells), append(t.lines, line)
	}
	if len(t.rows) == 0 {
		return nil, errors.New("the table has a header and no rows")
	}
	return t, nil
}

// Has tells whether there is such a column.
func (t *Table) Has(column string) bool { return slices.Contains(t.header, column) }

func (t *Table) find(column string) (int, error) {
	i := slices.Index(t.header, column)
	if i < 0 {
		hint := ""
		if len(t.header) == 1 && strings.ContainsAny(t.header[0], ";\t") {
			hint = "; cells are parted by commas"
		}
		return 0, fmt.Errorf("there is no column %q; the header names %s%s", column, quoted(t.header), hint)
	}
	if slices.Contains(t.header[i+1:], column) {
		return 0, fmt.Errorf("two columns are named %q: rename one", column)
	}
	return i, nil
}

func quoted(names []string) string {
	const most = 12
	var b strings.Builder
	for i, n := range names[:min(len(names), most)] {
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(shortened(n))
	}
	if len(names) > most {
		fmt.Fprintf(&b, " and %d more", len(names)-most)
	}
	return b.String()
}

// shortened quotes what a file says, safe for a terminal and not too long.
func shortened(text string) string {
	const most = 40
	if r := []rune(text); len(r) > most {
		return strconv.Quote(string(r[:most])) + "…"
	}
	return strconv.Quote(text)
}

func (t *Table) mistake(row int, column, cell, want string) error {
	if cell == "" {
		return fmt.Errorf("line %d (row %d of the data), column %s: the cell is empty, it must be %s", t.lines[row], row+1, column, want)
	}
	return fmt.Errorf("line %d (row %d of the data), column %s: %s is not %s", t.lines[row], row+1, column, shortened(cell), want)
}

// Labels gives a column of names, none of them empty.
func (t *Table) Labels(column string) ([]string, error) {
	c, err := t.find(column)
	if err != nil {
		return nil, err
	}
	labels := make([]string, len(t.rows))
	for i, row := range t.rows {
		if labels[i] = row[c]; row[c] == "" {
			return nil, t.mistake(i, column, "", "a name")
		}
	}
	return labels, nil
}

var decimal = regexp.MustCompile(`^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$`)

// Numbers gives a column of decimal numbers. Apart from 0, their magnitude
// lies between 1e-100 and 1e100, so that no square overflows or vanishes.
func (t *Table) Numbers(column string) (Sample, error) {
	c, err := t.find(column)
	if err != nil {
		return Sample{}, err
	}
	s := Sample{make([]float64, len(t.rows)), make([]float64, len(t.rows))}
	var first *big.Float
	for i, row := range t.rows {
		cell := row[c]
		const longest = 200
		if len(cell) > longest || !decimal.MatchString(cell) {
			return Sample{}, t.mistake(i, column, cell, "a number with a decimal point, such as -12.5 or 3e-4")
		}
		v, err := strconv.ParseFloat(cell, 64)
		if a := math.Abs(v); err != nil || a > 1e100 || a < 1e-100 && v != 0 {
			return Sample{}, t.mistake(i, column, cell, "0 or of a magnitude between 1e-100 and 1e100")
		}
		// The distance is taken before anything is rounded to 53 bits.
		exact, _, err := big.ParseFloat(cell, 10, 320, big.ToNearestEven)
		if err != nil {
			return Sample{}, t.mistake(i, column, cell, "a number")
		}
		if first == nil {
			first = exact
		}
		s.values[i] = v
		s.offsets[i], _ = new(big.Float).Sub(exact, first).Float64()
	}
	return s, nil
}
