package protocol

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"unicode/utf8"
)

// The subset of deterministic CBOR (RFC 8949, section 4.2.1) that the wire
// uses: integers, byte and text strings, arrays, maps with unsigned keys,
// and the typed arrays of RFC 8746 with tags 64, 69 and 70.

const (
	majorUint  = 0
	majorNeg   = 1
	majorBytes = 2
	majorText  = 3
	majorArray = 4
	majorMap   = 5
	majorTag   = 6

	tagUint8  = 64
	tagUint16 = 69 // little endian
	tagUint32 = 70 // little endian

	maxDepth = 4 // arrays and maps inside one another
)

var errCBOR = errors.New("not deterministic CBOR of the subset in use")

// appendHead appends the shortest head of a data item.
func appendHead(dst []byte, major byte, n uint64) []byte {
	m := major << 5
	switch {
	case n < 24:
		return append(dst, m|byte(n))
	case n <= math.MaxUint8:
		return append(dst, m|24, byte(n))
	case n <= math.MaxUint16:
		return binary.BigEndian.AppendUint16(append(dst, m|25), uint16(n))
	case n <= math.MaxUint32:
		return binary.BigEndian.AppendUint32(append(dst, m|26), uint32(n))
	}
	return binary.BigEndian.AppendUint64(append(dst, m|27), n)
}

func appendInt(dst []byte, v int64) []byte {
	if v < 0 {
		return appendHead(dst, majorNeg, uint64(-1-v))
	}
	return appendHead(dst, majorUint, uint64(v))
}

// readHead takes one head from b. It refuses indefinite lengths, simple
// values, floats and every length that could have been written shorter.
func readHead(b []byte) (major byte, n uint64, rest []byte, err error) {
	if len(b) == 0 {
		return 0, 0, nil, errCBOR
	}
	major, info := b[0]>>5, b[0]&31
	b = b[1:]
	if major == 7 || info > 27 {
		return 0, 0, nil, errCBOR
	}
	if info < 24 {
		return major, uint64(info), b, nil
	}
	size := 1 << (info - 24)
	if len(b) < size {
		return 0, 0, nil, errCBOR
	}
	for _, c := range b[:size] {
		n = n<<8 | uint64(c)
	}
	least := uint64(24)
	if size > 1 {
		least = 1 << (4 * size)
	}
	if n < least {
		return 0, 0, nil, errCBOR
	}
	return major, n, b[size:], nil
}

// readInt takes one integer that fits int64 from b.
func readInt(b []byte) (int64, []byte, error) {
	major, n, rest, err := readHead(b)
	if err != nil || major > majorNeg || n > math.MaxInt64 {
		return 0, nil, errCBOR
	}
	if major == majorNeg {
		return -1 - int64(n), rest, nil
	}
	return int64(n), rest, nil
}

// skipItem checks the first data item of b and returns what follows it; an
// array or map at the top has depth 1.
func skipItem(b []byte, depth int) ([]byte, error) {
	major, n, rest, err := readHead(b)
	if err != nil {
		return nil, err
	}
	switch major {
	case majorUint, majorNeg:
		return rest, nil
	case majorBytes, majorText:
		if n > uint64(len(rest)) || major == majorText && !utf8.Valid(rest[:n]) {
			return nil, errCBOR
		}
		return rest[n:], nil
	case majorTag:
		if _, rest, err = readTyped(b); err != nil {
			return nil, err
		}
		return rest, nil
	}
	if depth > maxDepth {
		return nil, fmt.Errorf("%w: nested deeper than %d", errCBOR, maxDepth)
	}
	last := int64(-1)
	for range n { // ends at the latest with the bytes: an item has at least one
		if major == majorMap {
			var key int64
			if key, rest, err = readInt(rest); err != nil || key <= last {
				return nil, fmt.Errorf("%w: map keys", errCBOR)
			}
			last = key
		}
		if rest, err = skipItem(rest, depth+1); err != nil {
			return nil, err
		}
	}
	return rest, nil
}

// width returns the bytes of the narrowest integer that holds every count.
func width(counts []uint32) int {
	var all uint32
	for _, c := range counts {
		all |= c
	}
	switch {
	case all <= math.MaxUint8:
		return 1
	case all <= math.MaxUint16:
		return 2
	}
	return 4
}

// appendTyped appends counts as a typed array of the narrowest width that
// holds them all.
func appendTyped(dst []byte, counts []uint32) []byte {
	n := uint64(len(counts))
	switch width(counts) {
	case 1:
		dst = appendHead(appendHead(dst, majorTag, tagUint8), majorBytes, n)
		for _, c := range counts {
			dst = append(dst, byte(c))
		}
	case 2:
		dst = appendHead(appendHead(dst, majorTag, tagUint16), majorBytes, 2*n)
		for _, c := range counts {
			dst = binary.LittleEndian.AppendUint16(dst, uint16(c))
		}
	default:
		dst = appendHead(appendHead(dst, majorTag, tagUint32), majorBytes, 4*n)
		for _, c := range counts {
			dst = binary.LittleEndian.AppendUint32(dst, c)
		}
	}
	return dst
}

// readTyped takes one typed array from b. A wider array than the counts need
// is refused, so that equal counts are always equal bytes.
func readTyped(b []byte) ([]uint32, []byte, error) {
	major, tag, rest, err := readHead(b)
	if err != nil || major != majorTag {
		return nil, nil, errCBOR
	}
	size := 0
	switch tag {
	case tagUint8:
		size = 1
	case tagUint16:
		size = 2
	case tagUint32:
		size = 4
	default:
		return nil, nil, fmt.Errorf("%w: tag %d", errCBOR, tag)
	}
	major, n, rest, err := readHead(rest)
	if err != nil || major != majorBytes || n > uint64(len(rest)) || n%uint64(size) != 0 {
		return nil, nil, errCBOR
	}
	data, rest := rest[:n], rest[n:]
	counts := make([]uint32, 0, len(data)/size)
	for ; len(data) > 0; data = data[size:] {
		var c uint32
		switch size {
		case 1:
			c = uint32(data[0])
		case 2:
			c = uint32(binary.LittleEndian.Uint16(data))
		default:
			c = binary.LittleEndian.Uint32(data)
		}
		counts = append(counts, c)
	}
	if width(counts) != size {
		return nil, nil, fmt.Errorf("%w: array wider than its counts", errCBOR)
	}
	return counts, rest, nil
}
