package whatif

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/bits"
	"slices"

	"example.org/panecal/limits/quantity"
)

// Outline is what a trial needs of some thousand attempts, in a fraction of their
// bytes: of each quantity those attempts of each product that lie furthest out, with
// all their columns, and how far out the rest reach. A limit beyond the rest is held against
// the few; one within it wants the columns themselves, and is answered no less
// exactly. [MakeOutline] makes its bytes, which may be kept; [Outline.Over] lays it
// over the columns.
//
// The bytes are: the number of attempts, classes, samples and bytes of serials, the
// least sequence; the classes; of each attempt its class, sequence and length of its serial;
// the serials; the samples; of each quantity and product how far the rest reach, and those that
// lie further out, upwards and downwards. All is little endian.
type Outline struct {
	rows       int
	classes    []class
	codes      []byte // 2 an attempt
	first      int64  // least sequence
	sequences  []byte // 4 an attempt, from first on
	lengths    []byte // of serials, 1 an attempt
	serials    []byte
	starts     []int // of serials, once one is asked for
	sampled    int
	samples    []byte // number of the attempt, 4; value and u of each quantity without zones, 4 each
	products   []string
	quantities [][]edge // by quantity, by product
}

// OutlineVersion says how the bytes of an outline are laid out, and what is in them.
const OutlineVersion = 3<<16 | quantity.Columns

// sampleRank is the rank from which on attempts are in the samples of an outline:
// one in 16.
const sampleRank = 4

// furthest is which part of the attempts may lie further out than the rest, on
// each side: one in so many.
const furthest = 16

// class is what attempts have in common.
type class struct {
	soft, attempt, generation             int64
	name, nest, outcome, purpose, product string
	absent                                uint64 // quantities, by their place in quantity.All
}

// Rank is the rank of an attempt in samples, by the number of its record: of all
// attempts one in two has rank 1 or more, one in four 2 or more, and so on, spread
// over the log as if drawn by lot, and always the same.
func Rank(sequence int64) int {
	// Finaliser of SplitMix64 (Steele, Lea, Flood, OOPSLA 2014).
	z := uint64(sequence) + 0x9e3779b97f4a7c15
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return bits.TrailingZeros64(z ^ z>>31 | 1<<63)
}

// numbersOf names the columns that an outline holds of a quantity: value and u, or
// what upper and lower limits are held against.
func numbersOf(d quantity.Definition) (high, low []string) {
	if !d.Zoned {
		v := []string{string(d.Name), string(d.Name) + "_u"}
		return v, v
	}
	for k := range quantity.Guards {
		high = append(high, Side(d.Name, float64(k), true))
		low = append(low, Side(d.Name, float64(k), false))
	}
	return high, low
}

var errOutline = errors.New("the outline is not what was made")

// MakeOutline returns the bytes of the outline of some attempts; nil if they cannot
// be outlined. Besides what [Rows] names they have "product" and "generation".
func MakeOutline(b Rows) ([]byte, error) {
	n := b.Rows()
	all := quantity.All()
	if len(all) > 64 {
		return nil, nil
	}
	var ints [4][]int64
	for i, name := range []string{"soft_bin", "attempt", "generation", "sequence"} {
		var err error
		if ints[i], err = b.Ints(name, nil); err != nil {
			return nil, err
		}
	}
	var texts [6][]string
	for i, name := range []string{"soft_bin_name", "nest", "outcome", "purpose", "product", "serial"} {
		var err error
		if texts[i], err = b.Texts(name, nil); err != nil {
			return nil, err
		}
	}
	var products [][]int // attempts of each
	number := map[string]int{}
	for i, name := range texts[4] {
		k, ok := number[name]
		if !ok {
			k = len(products)
			number[name] = k
			products = append(products, nil)
		}
		products[k] = append(products[k], i)
	}
	absent := make([]uint64, n)
	var edges []byte
	var values [][]float64 // of the samples
	for at, d := range all {
		e, v, err := outlineOf(b, d, products, func(i int) { absent[i] |= 1 << at })
		if err != nil {
			return nil, err
		}
		edges = append(edges, e...)
		values = append(values, v...)
	}

	le := binary.LittleEndian
	var codes, sequences, lengths, serials, classes, samples []byte
	code, first := map[class]uint16{}, int64(0)
	if n > 0 {
		first = slices.Min(ints[3])
	}
	sampled := 0
	for i := range n {
		c := class{ints[0][i], ints[1][i], ints[2][i], texts[0][i], texts[1][i], texts[2][i], texts[3][i], texts[4][i], absent[i]}
		k, ok := code[c]
		if !ok {
			if len(code) == math.MaxUint16 {
				return nil, nil
			}
			k = uint16(len(code))
			code[c] = k
			classes = c.append(classes)
		}
		codes = le.AppendUint16(codes, k)
		if ints[3][i]-first > math.MaxUint32 {
			return nil, nil
		}
		sequences = le.AppendUint32(sequences, uint32(ints[3][i]-first))
		if len(texts[5][i]) > math.MaxUint8 {
			return nil, nil
		}
		lengths = append(lengths, byte(len(texts[5][i])))
		serials = append(serials, texts[5][i]...)
		if Rank(ints[3][i]) >= sampleRank {
			sampled++
			samples = le.AppendUint32(samples, uint32(i))
			for _, v := range values {
				samples = le.AppendUint32(samples, math.Float32bits(float32(v[i])))
			}
		}
	}
	var out []byte
	for _, v := range []int{n, len(code), sampled, len(serials)} {
		out = le.AppendUint32(out, uint32(v))
	}
	out = le.AppendUint64(out, uint64(first))
	return slices.Concat(out, classes, codes, sequences, lengths, serials, samples, edges), nil
}

func (c *class) append(b []byte) []byte {
	for _, v := range []int64{c.soft, c.attempt, c.generation} {
		b = binary.AppendVarint(b, v)
	}
	b = binary.AppendUvarint(b, c.absent)
	for _, s := range []string{c.name, c.nest, c.outcome, c.purpose, c.product} {
		b = append(binary.AppendUvarint(b, uint64(len(s))), s...)
	}
	return b
}

// ReadOutline reads what MakeOutline made. The outline is of use as long as data is.
func ReadOutline(data []byte) (*Outline, error) {
	c := &cutter{b: data}
	o := &Outline{rows: c.uint32()}
	classes, sampled, serials := c.uint32(), c.uint32(), c.uint32()
	o.first = c.int64()
	if c.bad || classes > math.MaxUint16 || classes > len(data) || o.rows > len(data) || sampled > o.rows {
		return nil, errOutline
	}
	o.classes = make([]class, classes)
	for i := range o.classes {
		k := &o.classes[i]
		k.soft, k.attempt, k.generation, k.absent = c.varint(), c.varint(), c.varint(), c.uvarint()
		k.name, k.nest, k.outcome, k.purpose, k.product = c.text(), c.text(), c.text(), c.text(), c.text()
	}
	o.codes, o.sequences, o.lengths, o.serials = c.take(2*o.rows), c.take(4*o.rows), c.take(o.rows), c.take(serials)
	all := quantity.All()
	o.sampled, o.samples = sampled, c.take(sampled*sampleSize(all))
	// Products come in the order of their first attempts, as classes do.
	for i := range o.classes {
		if p := o.classes[i].product; !slices.Contains(o.products, p) {
			o.products = append(o.products, p)
		}
	}
	var edges []edge
	for k := range len(all) * len(o.products) {
		d := all[k/len(o.products)]
		var e edge
		b := c.take(1)
		if e.vague = len(b) == 1 && b[0] == 1; !e.vague {
			highs, _ := numbersOf(d)
			for _, up := range []bool{true, false} {
				count, bounds := c.uint32(), &e.high
				if !up {
					bounds = &e.low
				}
				for k := range bounds {
					bounds[k] = c.float()
				}
				list := c.take(count * (4 + 8*len(highs)))
				if up {
					e.highest = list
				} else {
					e.lowest = list
				}
			}
		}
		if edges = append(edges, e); len(edges) == len(o.products) {
			o.quantities, edges = append(o.quantities, edges), nil
		}
	}
	if len(o.products) == 0 {
		o.quantities = make([][]edge, len(all))
	}
	if c.bad || len(c.b) > 0 {
		return nil, errOutline
	}
	for i := range o.rows {
		if int(binary.LittleEndian.Uint16(o.codes[2*i:])) >= classes {
			return nil, errOutline
		}
	}
	return o, nil
}

// sampleSize is how many bytes a sampled attempt takes.
func sampleSize(all []quantity.Definition) int {
	n := 4
	for _, d := range all {
		if !d.Zoned {
			n += 8
		}
	}
	return n
}

// Over lays the outline over the attempts that it was made of, which are asked for
// what it has not.
func (o *Outline) Over(b Rows) (Rows, error) {
	if b.Rows() != o.rows {
		return nil, fmt.Errorf("an outline of %d attempts over %d: %w", o.rows, b.Rows(), errOutline)
	}
	return outlined{b, o}, nil
}

// outlined is rows with their outline.
type outlined struct {
	whole Rows
	o     *Outline
}

// Rows is how many there are.
func (r outlined) Rows() int { return r.o.rows }

// Floats returns a column of a quantity.
func (r outlined) Floats(name string, into []float64) ([]float64, error) {
	return r.whole.Floats(name, into)
}

func (o *Outline) code(i int) int { return int(binary.LittleEndian.Uint16(o.codes[2*i:])) }

func (o *Outline) sequence(i int) int64 {
	return o.first + int64(binary.LittleEndian.Uint32(o.sequences[4*i:]))
}

func (o *Outline) serial(i int) string {
	if o.starts == nil {
		o.starts = make([]int, o.rows)
		at := 0
		for k, n := range o.lengths {
			o.starts[k] = at
			at += int(n)
		}
	}
	from, to := o.starts[i], o.starts[i]+int(o.lengths[i])
	if to > len(o.serials) {
		return ""
	}
	return string(o.serials[from:to])
}

// Ints returns a column of whole numbers.
func (r outlined) Ints(name string, into []int64) ([]int64, error) {
	var of func(*class) int64
	switch name {
	case "sequence":
		into = fit(into, r.o.rows)
		for i := range into {
			into[i] = r.o.sequence(i)
		}
		return into, nil
	case "soft_bin":
		of = func(c *class) int64 { return c.soft }
	case "attempt":
		of = func(c *class) int64 { return c.attempt }
	case "generation":
		of = func(c *class) int64 { return c.generation }
	default:
		return r.whole.Ints(name, into)
	}
	return spread(r.o, into, of), nil
}

// Texts returns a column of names.
func (r outlined) Texts(name string, into []string) ([]string, error) {
	var of func(*class) string
	switch name {
	case "serial":
		into = fit(into, r.o.rows)
		for i := range into {
			into[i] = r.o.serial(i)
		}
		return into, nil
	case "soft_bin_name":
		of = func(c *class) string { return c.name }
	case "nest":
		of = func(c *class) string { return c.nest }
	case "outcome":
		of = func(c *class) string { return c.outcome }
	case "purpose":
		of = func(c *class) string { return c.purpose }
	case "product":
		of = func(c *class) string { return c.product }
	default:
		return r.whole.Texts(name, into)
	}
	return spread(r.o, into, of), nil
}

// spread gives each attempt what its class has.
func spread[T any](o *Outline, into []T, of func(*class) T) []T {
	each := make([]T, len(o.classes))
	for i := range each {
		each[i] = of(&o.classes[i])
	}
	into = fit(into, o.rows)
	for i := range into {
		into[i] = each[o.code(i)]
	}
	return into
}
