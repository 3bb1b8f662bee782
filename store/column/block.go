package column

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"

	"github.com/fxamacker/cbor/v2"
	"github.com/klauspost/compress/zstd"
)

// MaxRows bounds the rows of a block.
const MaxRows = 1 << 20

// ErrDamaged is wrapped by every error about bytes that are not what was
// written.
var ErrDamaged = errors.New("the block is damaged")

// ErrNoColumn says that a block has no column of that name and type.
var ErrNoColumn = errors.New("no such column")

const (
	magic  = "PANECALB"
	format = 1
	// headSize is magic, length and check of the directory.
	headSize = len(magic) + 8
	// maxDirectory bounds the directory, maxPacked a packed column in bytes.
	maxDirectory = 1 << 20
	maxPacked    = 256 << 20
)

type kind uint8

const (
	floats kind = 1
	ints   kind = 2
	texts  kind = 3
)

type directory struct {
	Format  int     `cbor:"1,keyasint"`
	About   []byte  `cbor:"2,keyasint"` // what the block stands for; its maker's
	Rows    int     `cbor:"3,keyasint"`
	Columns []entry `cbor:"4,keyasint"`
}

type entry struct {
	_      struct{} `cbor:",toarray"`
	Name   string
	Kind   kind
	Offset int64 // behind the directory
	Length int64 // packed; 0 for nothing but zero values
	Check  uint32
}

type packing struct {
	enc *zstd.Encoder
	dec *zstd.Decoder
}

// zstandard is made with the program and used once, so that what it holds
// belongs to no goroutine that happens to come first; both coders may be used
// by several.
var zstandard = newPacking()

func newPacking() packing {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(1<<20), zstd.WithLowerEncoderMem(true))
	if err != nil {
		panic(err) // fixed options
	}
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(0), zstd.WithDecoderMaxMemory(maxPacked), zstd.WithDecoderLowmem(true))
	if err != nil {
		panic(err)
	}
	enc.EncodeAll([]byte{0}, nil)
	return packing{enc, dec}
}

func check(b []byte) uint32 { return crc32.Checksum(b, crc32.MakeTable(crc32.Castagnoli)) }

func damaged(what string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrDamaged, fmt.Sprintf(what, args...))
}

// Builder makes a block. All columns must have the same length.
type Builder struct {
	about   []byte
	rows    int
	columns []entry
	data    []byte
	buf     []byte
}

// NewBuilder returns a builder of a block with so many rows; about is what the
// block stands for, and comes back from Open.
func NewBuilder(about []byte, rows int) *Builder { return &Builder{about: about, rows: rows} }

func (b *Builder) add(name string, k kind, length int, nothing bool, raw []byte) {
	if length != b.rows {
		panic(fmt.Sprintf("column %s has %d rows, not %d", name, length, b.rows))
	}
	e := entry{Name: name, Kind: k, Offset: int64(len(b.data))}
	if !nothing {
		b.data = zstandard.enc.EncodeAll(raw, b.data)
		packed := b.data[e.Offset:]
		e.Length, e.Check = int64(len(packed)), check(packed)
	}
	b.columns = append(b.columns, e)
}

// Floats adds a column of numbers. Every bit of them comes back, but that all
// NaN are alike.
func (b *Builder) Floats(name string, v []float64) {
	nothing := true
	b.buf = append(b.buf[:0], make([]byte, 8*len(v))...)
	for i, x := range v {
		nothing = nothing && math.IsNaN(x)
		bits := math.Float64bits(x)
		for k := range 8 {
			b.buf[k*len(v)+i] = byte(bits >> (8 * k))
		}
	}
	b.add(name, floats, len(v), nothing, b.buf)
}

// Ints adds a column of whole numbers.
func (b *Builder) Ints(name string, v []int64) {
	nothing, before := true, int64(0)
	b.buf = b.buf[:0]
	for _, x := range v {
		nothing = nothing && x == 0
		b.buf = binary.AppendVarint(b.buf, x-before)
		before = x
	}
	b.add(name, ints, len(v), nothing, b.buf)
}

// Texts adds a column of names.
func (b *Builder) Texts(name string, v []string) {
	number := map[string]uint64{"": 0}
	var list []string
	var which []byte
	for _, x := range v {
		n, ok := number[x]
		if !ok {
			n = uint64(len(number))
			number[x] = n
			list = append(list, x)
		}
		which = binary.AppendUvarint(which, n)
	}
	b.buf = binary.AppendUvarint(b.buf[:0], uint64(len(list)))
	for _, x := range list {
		b.buf = append(binary.AppendUvarint(b.buf, uint64(len(x))), x...)
	}
	b.add(name, texts, len(v), len(list) == 0, append(b.buf, which...))
}

// Bytes returns the block.
func (b *Builder) Bytes() ([]byte, error) {
	dir, err := cbor.Marshal(directory{format, b.about, b.rows, b.columns})
	if err != nil {
		return nil, fmt.Errorf("making a block of columns: %w", err)
	}
	if len(dir) > maxDirectory || b.rows > MaxRows {
		return nil, fmt.Errorf("making a block of columns: %d rows, a directory of %d bytes: too large", b.rows, len(dir))
	}
	out := make([]byte, 0, headSize+len(dir)+len(b.data))
	out = append(out, magic...)
	out = binary.LittleEndian.AppendUint32(out, uint32(len(dir)))
	out = binary.LittleEndian.AppendUint32(out, check(dir))
	return append(append(out, dir...), b.data...), nil
}

// Block is a block open for reading. It belongs to one goroutine.
type Block struct {
	r       io.ReaderAt
	start   int64
	about   []byte
	rows    int
	columns map[string]entry

	packed, raw []byte // used from column to column
}

// Open reads the directory of the block in r, which has size bytes. r stays the
// caller's.
func Open(r io.ReaderAt, size int64) (*Block, error) {
	head := make([]byte, headSize)
	if size < int64(len(head)) {
		return nil, damaged("%d bytes", size)
	}
	if _, err := r.ReadAt(head, 0); err != nil {
		return nil, err
	}
	n := int64(binary.LittleEndian.Uint32(head[len(magic):]))
	if string(head[:len(magic)]) != magic || n > maxDirectory || int64(headSize)+n > size {
		return nil, damaged("no block begins here")
	}
	b := make([]byte, n)
	if _, err := r.ReadAt(b, int64(headSize)); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	if check(b) != binary.LittleEndian.Uint32(head[len(magic)+4:]) {
		return nil, damaged("its directory is not what was written")
	}
	var d directory
	if err := cbor.Unmarshal(b, &d); err != nil || d.Format != format || d.Rows < 0 || d.Rows > MaxRows {
		return nil, damaged("its directory is of another form")
	}
	out := &Block{r: r, start: int64(headSize) + n, about: d.About, rows: d.Rows, columns: make(map[string]entry, len(d.Columns))}
	end := out.start
	for _, e := range d.Columns {
		if e.Offset < 0 || e.Length < 0 || e.Length > maxPacked || out.start+e.Offset != end {
			return nil, damaged("column %s stands nowhere", e.Name)
		}
		end += e.Length
		out.columns[e.Name] = e
	}
	if end != size {
		return nil, damaged("%d bytes where %d should be", size, end)
	}
	return out, nil
}

// About returns what the block stands for. It must not be changed.
func (b *Block) About() []byte { return b.about }

// Rows returns the number of rows.
func (b *Block) Rows() int { return b.rows }

// Has says whether there is a column of that name.
func (b *Block) Has(name string) bool { _, ok := b.columns[name]; return ok }

// unpack returns the content of a column, nil where it holds nothing, of use until
// the next one is unpacked.
func (b *Block) unpack(name string, k kind) ([]byte, error) {
	e, ok := b.columns[name]
	if !ok || e.Kind != k {
		return nil, fmt.Errorf("%w: %s", ErrNoColumn, name)
	}
	if e.Length == 0 {
		return nil, nil
	}
	b.packed = fit(b.packed, int(e.Length))
	packed := b.packed
	if _, err := b.r.ReadAt(packed, b.start+e.Offset); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	if check(packed) != e.Check {
		return nil, damaged("column %s is not what was written", name)
	}
	raw, err := zstandard.dec.DecodeAll(packed, b.raw[:0])
	if err != nil {
		return nil, damaged("column %s: %v", name, err)
	}
	b.raw = raw
	return raw, nil
}

// Verify reads every column and holds it against its check.
func (b *Block) Verify() error {
	for name, e := range b.columns {
		if _, err := b.unpack(name, e.Kind); err != nil {
			return err
		}
	}
	return nil
}

// Floats returns a column of numbers, in into if that is long enough.
func (b *Block) Floats(name string, into []float64) ([]float64, error) {
	raw, err := b.unpack(name, floats)
	if err != nil {
		return nil, err
	}
	n := b.rows
	if raw != nil && len(raw) != 8*n {
		return nil, damaged("column %s: %d bytes for %d rows", name, len(raw), n)
	}
	into = fit(into, n)
	for i := range into {
		if raw == nil {
			into[i] = math.NaN()
			continue
		}
		bits := uint64(0)
		for k := range 8 {
			bits |= uint64(raw[k*n+i]) << (8 * k)
		}
		into[i] = math.Float64frombits(bits)
	}
	return into, nil
}

// Ints returns a column of whole numbers, in into if that is long enough.
func (b *Block) Ints(name string, into []int64) ([]int64, error) {
	raw, err := b.unpack(name, ints)
	if err != nil {
		return nil, err
	}
	into = fit(into, b.rows)
	before, none := int64(0), raw == nil
	for i := range into {
		if none {
			into[i] = 0
			continue
		}
		d, n := binary.Varint(raw)
		if n <= 0 {
			return nil, damaged("column %s ends after %d rows", name, i)
		}
		before, raw = before+d, raw[n:]
		into[i] = before
	}
	if len(raw) > 0 {
		return nil, damaged("column %s has more rows", name)
	}
	return into, nil
}

// Texts returns a column of names, in into if that is long enough.
func (b *Block) Texts(name string, into []string) ([]string, error) {
	raw, err := b.unpack(name, texts)
	if err != nil {
		return nil, err
	}
	into = fit(into, b.rows)
	if raw == nil {
		clear(into)
		return into, nil
	}
	next := func() uint64 {
		v, n := binary.Uvarint(raw)
		if n <= 0 {
			err, raw = damaged("column %s ends early", name), nil
			return 0
		}
		raw = raw[n:]
		return v
	}
	count := next()
	if count > uint64(b.rows) {
		return nil, damaged("column %s: %d names for %d rows", name, count, b.rows)
	}
	list := make([]string, 1, count+1) // the first is the empty one
	for range count {
		n := next()
		if n > uint64(len(raw)) {
			return nil, damaged("column %s ends early", name)
		}
		list, raw = append(list, string(raw[:n])), raw[n:]
	}
	for i := range into {
		n := next()
		if n >= uint64(len(list)) {
			return nil, damaged("column %s: name %d of %d", name, n, len(list))
		}
		into[i] = list[n]
	}
	if err == nil && len(raw) > 0 {
		err = damaged("column %s has more rows", name)
	}
	if err != nil {
		return nil, err
	}
	return into, nil
}

func fit[T any](v []T, n int) []T {
	if cap(v) < n {
		return make([]T, n)
	}
	return v[:n]
}
