package store

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store/record"
)

const rowsName = "rows"

// Row is the compact form of one attempt: enough to judge it again and to
// count it. Names are kept as numbers made by [NameCode].
type Row struct {
	Generation uint32
	Sequence   uint64
	Time       time.Time // UTC, microsecond
	Outcome    record.Outcome
	Purpose    record.Purpose
	AttemptNo  int
	SoftBin    int
	HardBin    int
	Product    uint64
	Limits     uint64 // of the revision
	Nest       uint64
	Serial     uint64
	Quantities quantity.Row
}

// NameCode returns the number that a row has for a name: the first 48 bits of
// its SHA-256, which a float64 holds exactly.
func NameCode(name string) uint64 {
	h := record.HashOf([]byte(name))
	return binary.BigEndian.Uint64(h[:]) >> 16
}

// Columns of the file before those of package quantity. A column is never
// given another meaning.
const (
	colGeneration = iota
	colSequence
	colTime // microseconds since 1970
	colOutcome
	colPurpose
	colAttemptNo
	colSoftBin
	colHardBin
	colProduct
	colLimits
	colNest
	colSerial
	keyColumns = 16 // four in reserve, NaN
)

const (
	rowColumns = keyColumns + quantity.Columns
	rowSize    = 8*rowColumns + 8 // the last eight bytes are the row's check
	rowsMagic  = "PANECALR"
	rowsHead   = 64
)

// rowsHeader returns the head of a file of rows.
func rowsHeader(store record.Hash) []byte {
	b := make([]byte, 0, rowsHead)
	b = append(b, rowsMagic...)
	b = little.AppendUint32(b, 1)
	b = little.AppendUint32(b, rowColumns)
	b = append(b, store[:]...)
	b = little.AppendUint32(b, crc(b))
	return append(b, make([]byte, rowsHead-len(b))...)
}

// holdRows says whether head is that of the rows of a store: errOutdated where
// another version of the program made them, with other columns.
func holdRows(head []byte, store record.Hash) error {
	damaged := &DamageError{File: rowsName, Offset: 0, What: "not the rows of this log"}
	const sum = len(rowsMagic) + 4 + 4 + len(store) // where the check is
	want := rowsHeader(store)
	if string(head) == string(want) {
		return nil
	}
	if len(head) < rowsHead || little.Uint32(head[sum:]) != crc(head[:sum]) || string(head[sum+4:rowsHead]) != string(want[sum+4:]) ||
		string(head[:len(rowsMagic)]) != rowsMagic || string(head[len(rowsMagic)+8:sum]) != string(store[:]) {
		return damaged
	}
	return errOutdated
}

// encodeRow returns the bytes of row n of the file.
func encodeRow(n int64, e record.Entry, a *record.Attempt) ([]byte, error) {
	q, err := a.Set().Row()
	if err != nil {
		return nil, err
	}
	v := make([]float64, keyColumns, rowColumns)
	for i := range v {
		v[i] = math.NaN()
	}
	v[colGeneration] = float64(e.Ref.Generation)
	v[colSequence] = float64(e.Ref.Sequence)
	v[colTime] = float64(e.Time.UnixMicro())
	v[colOutcome] = float64(slices.Index(record.Outcomes(), a.Outcome))
	v[colPurpose] = float64(slices.Index(record.Purposes(), a.Run.Purpose))
	v[colAttemptNo] = float64(a.Run.AttemptNo)
	v[colSoftBin] = float64(a.Judgement.SoftBin)
	v[colHardBin] = float64(a.Judgement.HardBin)
	v[colProduct] = float64(NameCode(a.Run.Product.Name))
	v[colLimits] = float64(NameCode(a.Run.Limits.Rev))
	v[colNest] = float64(NameCode(a.Run.Nest))
	v[colSerial] = float64(NameCode(a.Run.Serial))
	b := make([]byte, 0, rowSize)
	for _, x := range append(v, q...) {
		b = little.AppendUint64(b, math.Float64bits(x))
	}
	return little.AppendUint64(b, rowCheck(n, b)), nil
}

func rowCheck(n int64, b []byte) uint64 {
	return uint64(crc(little.AppendUint64(nil, uint64(n)), b[:8*rowColumns]))
}

// decodeRow reads row n into r, using r.Quantities again if it is long enough.
func decodeRow(n int64, b []byte, r *Row) error {
	if little.Uint64(b[8*rowColumns:]) != rowCheck(n, b) {
		return &DamageError{File: rowsName, Offset: rowsHead + n*rowSize, What: "a row is not what was written"}
	}
	at := func(i int) float64 { return math.Float64frombits(little.Uint64(b[8*i:])) }
	q := r.Quantities
	if cap(q) < quantity.Columns {
		q = make(quantity.Row, quantity.Columns)
	}
	q = q[:quantity.Columns]
	for i := range q {
		q[i] = at(keyColumns + i)
	}
	*r = Row{
		Generation: uint32(at(colGeneration)), Sequence: uint64(at(colSequence)),
		Time:    time.UnixMicro(int64(at(colTime))).UTC(),
		Outcome: pick(record.Outcomes(), at(colOutcome)), Purpose: pick(record.Purposes(), at(colPurpose)),
		AttemptNo: int(at(colAttemptNo)), SoftBin: int(at(colSoftBin)), HardBin: int(at(colHardBin)),
		Product: uint64(at(colProduct)), Limits: uint64(at(colLimits)), Nest: uint64(at(colNest)), Serial: uint64(at(colSerial)),
		Quantities: q,
	}
	return nil
}

func pick[T ~string](list []T, i float64) T {
	if i < 0 || i >= float64(len(list)) || i != math.Trunc(i) {
		return ""
	}
	return list[int(i)]
}

// readRows gives the first count rows of f to each, in order. The Row and its
// quantities are only valid during the call.
func readRows(f io.ReaderAt, store record.Hash, count int64, each func(*Row) error) error {
	head := make([]byte, rowsHead)
	if _, err := f.ReadAt(head, 0); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if err := holdRows(head, store); err != nil {
		return err
	}
	in := bufio.NewReaderSize(io.NewSectionReader(f, rowsHead, count*rowSize), 1<<20)
	b := make([]byte, rowSize)
	var r Row
	for n := range count {
		if _, err := io.ReadFull(in, b); err != nil {
			return &DamageError{File: rowsName, Offset: rowsHead + n*rowSize, What: fmt.Sprintf("row %d of %d: %v", n+1, count, err)}
		}
		if err := decodeRow(n, b, &r); err != nil {
			return err
		}
		if err := each(&r); err != nil {
			return err
		}
	}
	return nil
}
