package conform

import (
	"encoding/binary"
	"fmt"
	"unicode/utf8"

	"example.org/panecal/protocol"
)

// raw is CBOR as it is, right or wrong.
type raw []byte

// pair is one entry of a map, pairs a map with its keys in the given order.
type (
	pair struct {
		key   int64
		value any
	}
	pairs []pair
)

// head is the shortest head of an item of a major type.
func head(major byte, n uint64) []byte {
	m := major << 5
	switch {
	case n < 24:
		return []byte{m | byte(n)}
	case n < 1<<8:
		return []byte{m | 24, byte(n)}
	case n < 1<<16:
		return binary.BigEndian.AppendUint16([]byte{m | 25}, uint16(n))
	case n < 1<<32:
		return binary.BigEndian.AppendUint32([]byte{m | 26}, uint32(n))
	}
	return binary.BigEndian.AppendUint64([]byte{m | 27}, n)
}

// item encodes int64, string, []byte, []any, pairs, raw. What it is given
// comes from the tables of this package.
func item(v any) []byte {
	switch v := v.(type) {
	case raw:
		return v
	case int:
		return item(int64(v))
	case int64:
		if v < 0 {
			return head(1, uint64(-1-v))
		}
		return head(0, uint64(v))
	case string:
		return append(head(3, uint64(len(v))), v...)
	case []byte:
		return append(head(2, uint64(len(v))), v...)
	case []any:
		out := head(4, uint64(len(v)))
		for _, e := range v {
			out = append(out, item(e)...)
		}
		return out
	case pairs:
		out := head(5, uint64(len(v)))
		for _, p := range v {
			out = append(append(out, item(p.key)...), item(p.value)...)
		}
		return out
	}
	return []byte{0xf7} // "undefined": refused by every unit, so that a table's mistake is seen
}

// envelope is a request's payload with arguments of any kind.
func envelope(id, session uint32, op protocol.Op, args any) []byte {
	return item([]any{int64(id), int64(session), int64(op), args})
}

// fault is a departure from a clause.
type fault struct {
	clause string
	why    string
}

func (f *fault) Error() string { return f.clause + ": " + f.why }

// judge checks a whole payload of an answer against chapters 3.3 and 4.1,
// without the codec: what both got wrong in the same way would be missed.
func judge(payload []byte) *fault {
	rest, f := skip(payload, 1)
	if f != nil {
		return f
	}
	if len(rest) > 0 {
		return &fault{"3.3.2", fmt.Sprintf("%d bytes behind the item", len(rest))}
	}
	if payload[0] != 0x85 {
		return &fault{"4.1.1", fmt.Sprintf("an answer begins with 85 (array of five), not with %02X", payload[0])}
	}
	rest = payload[1:]
	for range 4 {
		major, n, after, f := take(rest)
		if f != nil {
			return f
		}
		if major != 0 || n > 1<<32-1 {
			return &fault{"4.1.1", "id, session, number and code are 0 to 2^32 − 1"}
		}
		rest = after
	}
	if rest[0]>>5 != 5 {
		return &fault{"4.1.1", "the body is no map"}
	}
	return nil
}

// take reads one head.
func take(b []byte) (major byte, n uint64, rest []byte, f *fault) {
	if len(b) == 0 {
		return 0, 0, nil, &fault{"3.3.1", "the payload ends within an item"}
	}
	major, info := b[0]>>5, b[0]&31
	switch {
	case major == 7:
		return 0, 0, nil, &fault{"3.3.2", fmt.Sprintf("simple value or float %02X", b[0])}
	case info == 31:
		return 0, 0, nil, &fault{"3.3.2", "an indefinite length"}
	case info > 27:
		return 0, 0, nil, &fault{"3.3.1", fmt.Sprintf("reserved head %02X", b[0])}
	}
	b = b[1:]
	if info < 24 {
		return major, uint64(info), b, nil
	}
	size := 1 << (info - 24)
	if len(b) < size {
		return 0, 0, nil, &fault{"3.3.1", "the payload ends within a head"}
	}
	for _, c := range b[:size] {
		n = n<<8 | uint64(c)
	}
	short := n < 24 || size == 2 && n < 1<<8 || size == 4 && n < 1<<16 || size == 8 && n < 1<<32
	if short {
		return 0, 0, nil, &fault{"3.3.2", fmt.Sprintf("%d written in %d bytes", n, size)}
	}
	return major, n, b[size:], nil
}

// skip checks one item and returns what follows it.
func skip(b []byte, depth int) ([]byte, *fault) {
	major, n, rest, f := take(b)
	if f != nil {
		return nil, f
	}
	switch major {
	case 0, 1:
		return rest, nil
	case 2, 3:
		if n > uint64(len(rest)) {
			return nil, &fault{"3.3.1", "a string longer than the payload"}
		}
		if major == 3 && !utf8.Valid(rest[:n]) {
			return nil, &fault{"3.3.1", "text that is no UTF-8"}
		}
		return rest[n:], nil
	case 6:
		return skipCounts(n, rest)
	}
	if depth > 4 {
		return nil, &fault{"3.3.3", fmt.Sprintf("nested %d deep", depth)}
	}
	if major == 5 && n > 64 {
		return nil, &fault{"3.3.3", fmt.Sprintf("a map of %d keys", n)}
	}
	before, first := uint64(0), true
	for range n {
		if major == 5 {
			kind, key, after, f := take(rest)
			switch {
			case f != nil:
				return nil, f
			case kind != 0:
				return nil, &fault{"3.3.1", "a map key that is no unsigned integer"}
			case !first && key <= before:
				return nil, &fault{"3.3.2", fmt.Sprintf("key %d behind key %d", key, before)}
			}
			before, first, rest = key, false, after
		}
		if rest, f = skip(rest, depth+1); f != nil {
			return nil, f
		}
	}
	return rest, nil
}

// skipCounts checks a typed array behind its tag.
func skipCounts(tag uint64, b []byte) ([]byte, *fault) {
	size := map[uint64]int{64: 1, 69: 2, 70: 4}[tag]
	if size == 0 && tag > 64 && tag < 88 { // RFC 8746's others
		return nil, &fault{"3.3.4", fmt.Sprintf("a typed array of tag %d", tag)}
	}
	if size == 0 {
		return nil, &fault{"3.3.2", fmt.Sprintf("tag %d", tag)}
	}
	major, n, rest, f := take(b)
	if f != nil {
		return nil, f
	}
	if major != 2 || n > uint64(len(rest)) || n%uint64(size) != 0 {
		return nil, &fault{"3.3.4", "a typed array that is no byte string of whole counts"}
	}
	// Little endian: a count needs its upper half if a byte of it is not zero.
	wide := size == 1
	for i, c := range rest[:n] {
		wide = wide || c != 0 && i%size >= size/2
	}
	if !wide {
		return nil, &fault{"3.3.4", fmt.Sprintf("counts in %d bytes each that need fewer", size)}
	}
	return rest[n:], nil
}
