package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"example.org/panecal/limits/quantity"
)

// A packed row is a Row in a few hundred bytes, for a history that keeps rows one
// by one:
//
//	1, how many whole numbers (1 byte), quantities (2 bytes) and names (1 byte),
//	the whole numbers and the quantities, 8 bytes each, little endian,
//	the names, each its length (uvarint) and its text
//
// in the order of numbers, of quantity.Row and of names: what is added there comes
// at the end, so that a later program reads the rows of an older one. The operator
// is left out: who may see persons is asked elsewhere.
const (
	packedRow     = 1
	packedRowHead = 5
)

// errPackedRow says that bytes are no packed row.
var errPackedRow = errors.New("not a packed row")

// AppendPacked appends the packed form of r, without its operator.
func (r *Row) AppendPacked(b []byte) []byte {
	b = append(b, packedRow, byte(len(numbers)))
	b = binary.LittleEndian.AppendUint16(b, uint16(len(r.Quantities)))
	b = append(b, byte(len(names)))
	for _, c := range numbers {
		b = binary.LittleEndian.AppendUint64(b, uint64(c.get(r)))
	}
	for _, f := range r.Quantities {
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(f))
	}
	for _, c := range names {
		text := *c.at(r)
		if c.name == operatorName {
			text = ""
		}
		b = append(binary.AppendUvarint(b, uint64(len(text))), text...)
	}
	return b
}

// operatorName is the column that names a person.
const operatorName = "operator"

// PackedRows are packed rows of one log as columns, some hundred at a time. Each
// column is read where it is asked for.
type PackedRows struct {
	rows [][]byte
	// operators, if not nil, are those of the rows.
	operators []string
}

// NewPackedRows returns the columns of packed rows; operators, one a row, may be nil.
func NewPackedRows(rows [][]byte, operators []string) (*PackedRows, error) {
	for _, b := range rows {
		if len(b) < packedRowHead || b[0] != packedRow || len(b) < packedRowHead+8*(int(b[1])+int(binary.LittleEndian.Uint16(b[2:]))) {
			return nil, errPackedRow
		}
	}
	if operators != nil && len(operators) != len(rows) {
		return nil, errPackedRow
	}
	return &PackedRows{rows, operators}, nil
}

// Rows is how many there are.
func (p *PackedRows) Rows() int { return len(p.rows) }

// Ints returns a column of whole numbers; 0 where a row is of an older program.
func (p *PackedRows) Ints(name string, into []int64) ([]int64, error) {
	for k, c := range numbers {
		if c.name != name {
			continue
		}
		into = into[:0]
		for _, b := range p.rows {
			v := int64(0)
			if k < int(b[1]) {
				v = int64(binary.LittleEndian.Uint64(b[packedRowHead+8*k:]))
			}
			into = append(into, v)
		}
		return into, nil
	}
	return nil, fmt.Errorf("no column %q of whole numbers", name)
}

// Floats returns a column of a quantity; NaN where a row is of an older program.
func (p *PackedRows) Floats(name string, into []float64) ([]float64, error) {
	for _, c := range quantityColumns(quantity.All()) {
		if c.name != name {
			continue
		}
		into = into[:0]
		for _, b := range p.rows {
			v := math.NaN()
			if c.at < int(binary.LittleEndian.Uint16(b[2:])) {
				v = math.Float64frombits(binary.LittleEndian.Uint64(b[packedRowHead+8*(int(b[1])+c.at):]))
			}
			into = append(into, v)
		}
		return into, nil
	}
	return nil, fmt.Errorf("no column %q of a quantity", name)
}

// Texts returns a column of names; "" where a row is of an older program.
func (p *PackedRows) Texts(name string, into []string) ([]string, error) {
	for k, c := range names {
		if c.name != name {
			continue
		}
		if name == operatorName && p.operators != nil {
			return append(into[:0], p.operators...), nil
		}
		into = into[:0]
		last, lastText := []byte(nil), ""
		for _, b := range p.rows {
			text, err := packedName(b, k)
			if err != nil {
				return nil, err
			}
			// Names come again and again: one string serves.
			if last == nil || string(text) != lastText {
				last, lastText = text, string(text)
			}
			into = append(into, lastText)
		}
		return into, nil
	}
	return nil, fmt.Errorf("no column %q of names", name)
}

// packedName returns the k-th name of a packed row.
func packedName(b []byte, k int) ([]byte, error) {
	if k >= int(b[4]) {
		return nil, nil
	}
	rest := b[packedRowHead+8*(int(b[1])+int(binary.LittleEndian.Uint16(b[2:]))):]
	for ; ; k-- {
		n, head := binary.Uvarint(rest)
		if head <= 0 || n > uint64(len(rest)-head) {
			return nil, errPackedRow
		}
		if k == 0 {
			return rest[head : head+int(n)], nil
		}
		rest = rest[head+int(n):]
	}
}
