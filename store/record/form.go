package record

import (
	"bytes"
	"fmt"
	"math"
	"time"
	"unicode/utf8"
)

// form reads CBOR and holds it against the one byte form that a value has
// (RFC 8949, section 4.2.1: shortest heads and floats, definite lengths, keys
// ascending) and, as far as a shape is known, against that: every key that is
// never left out is there, none that may be left out is empty. It needs no
// value in memory, and what it does not know it proves by form alone.
type form struct {
	later   bool // there are keys that no shape names
	version int  // the latest that brought a key which is there
}

const (
	majorUint = iota
	majorNegative
	majorBytes
	majorText
	majorList
	majorMap
	majorTag
	majorSimple
)

const maxDepth = 16

func malformed(what string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrMalformed, fmt.Sprintf(what, args...))
}

// whole proves that b is exactly one item of shape s; a nil shape is any.
func (f *form) whole(b []byte, s *shape) error {
	rest, err := f.item(b, s, 0)
	if err == nil && len(rest) > 0 {
		err = malformed("%d bytes follow it", len(rest))
	}
	return err
}

// head reads the head of an item.
func head(b []byte) (major byte, info byte, n uint64, rest []byte, err error) {
	if len(b) == 0 {
		return 0, 0, 0, nil, malformed("it ends early")
	}
	major, info, rest = b[0]>>5, b[0]&31, b[1:]
	if info < 24 {
		return major, info, uint64(info), rest, nil
	}
	if info > 27 {
		return 0, 0, 0, nil, malformed("an indefinite or reserved length")
	}
	size := 1 << (info - 24)
	if len(rest) < size {
		return 0, 0, 0, nil, malformed("it ends early")
	}
	for _, c := range rest[:size] {
		n = n<<8 | uint64(c)
	}
	if major != majorSimple && (size == 1 && n < 24 || size > 1 && n>>(4*size) == 0) {
		return 0, 0, 0, nil, malformed("a number longer than it must be")
	}
	return major, info, n, rest[size:], nil
}

func (f *form) item(b []byte, s *shape, depth int) ([]byte, error) {
	if depth > maxDepth {
		return nil, malformed("nested too deep")
	}
	major, info, n, rest, err := head(b)
	if err != nil {
		return nil, err
	}
	if s != nil && !s.takes(major, info) {
		return nil, malformed("another type where %s should be", s.what)
	}
	switch major {
	case majorBytes, majorText:
		if n > uint64(len(rest)) {
			return nil, malformed("it ends early")
		}
		content := rest[:n]
		if major == majorText && !utf8.Valid(content) {
			return nil, malformed("a text that is not UTF-8")
		}
		return rest[n:], s.content(content)
	case majorList:
		var each *shape
		if s != nil {
			each = s.each
		}
		for range n {
			if rest, err = f.item(rest, each, depth+1); err != nil {
				return nil, err
			}
		}
		return rest, nil
	case majorMap:
		if s == nil {
			return f.anyMap(rest, n, depth)
		}
		return f.fields(rest, n, s, depth)
	case majorTag:
		var each *shape
		if s != nil {
			if n != s.tag {
				return nil, malformed("tag %d where %d should be", n, s.tag)
			}
			each = s.each
		}
		return f.item(rest, each, depth+1)
	case majorSimple:
		return rest, simple(info, n)
	}
	return rest, nil
}

// anyMap reads a map of which nothing is known.
func (f *form) anyMap(b []byte, n uint64, depth int) ([]byte, error) {
	var before []byte
	for i := range n {
		rest, err := f.item(b, nil, depth+1)
		if err != nil {
			return nil, err
		}
		key := b[:len(b)-len(rest)]
		if i > 0 && bytes.Compare(before, key) >= 0 {
			return nil, malformed("keys out of order")
		}
		before = key
		if b, err = f.item(rest, nil, depth+1); err != nil {
			return nil, err
		}
	}
	return b, nil
}

// fields reads the map of a struct.
func (f *form) fields(b []byte, n uint64, s *shape, depth int) ([]byte, error) {
	var before []byte
	next := 0 // of the fields of s, which ascend too
	for i := range n {
		major, _, number, _, err := head(b)
		if err != nil {
			return nil, err
		}
		rest, err := f.item(b, nil, depth+1)
		if err != nil {
			return nil, err
		}
		key := b[:len(b)-len(rest)]
		if i > 0 && bytes.Compare(before, key) >= 0 {
			return nil, malformed("keys out of order")
		}
		before = key
		var of *shape
		if k := s.field(number); major == majorUint && k >= 0 {
			for ; next < k; next++ {
				if !s.fields[next].mayStay {
					return nil, malformed("key %d is missing", s.fields[next].key)
				}
			}
			next++
			field := &s.fields[k]
			of = field.shape
			if field.mayStay && len(rest) > 0 && empty(rest) {
				return nil, malformed("key %d is there and empty", number)
			}
			f.version = max(f.version, field.since)
		} else {
			f.later = true
		}
		if b, err = f.item(rest, of, depth+1); err != nil {
			return nil, err
		}
	}
	for ; next < len(s.fields); next++ {
		if !s.fields[next].mayStay {
			return nil, malformed("key %d is missing", s.fields[next].key)
		}
	}
	return b, nil
}

// empty says whether an item is one that is left out: 0, false, null, or
// nothing in it.
func empty(b []byte) bool {
	switch b[0] {
	case 0x00, 0x40, 0x60, 0x80, 0xa0, 0xf4, 0xf6:
		return true
	case 0xf9:
		return len(b) >= 3 && b[1]&0x7f == 0 && b[2] == 0
	}
	return false
}

// simple proves a float or one of false, true, null.
func simple(info byte, n uint64) error {
	var v float64
	switch info {
	case 20, 21, 22:
		return nil
	case 25:
		if n&0x7c00 == 0x7c00 && n&0x3ff != 0 && n != 0x7e00 {
			return malformed("a NaN of another form")
		}
		return nil
	case 26:
		v = float64(math.Float32frombits(uint32(n)))
	case 27:
		// Most of a record is these. What 32 bits do not hold, 16 do not either.
		if v = math.Float64frombits(n); v == float64(float32(v)) || math.IsNaN(v) {
			return malformed("a float longer than it must be")
		}
		return nil
	default:
		return malformed("simple value %d", n)
	}
	if math.IsNaN(v) || math.IsInf(v, 0) || isHalf(v) {
		return malformed("a float longer than it must be")
	}
	return nil
}

// isHalf says whether 16 bits hold v exactly: eleven significant bits, the
// last of them no less than 2^-24.
func isHalf(v float64) bool {
	if math.Abs(v) > 65504 {
		return false
	}
	_, exp := math.Frexp(v)
	scaled := math.Ldexp(v, -max(exp-11, -24))
	return scaled == math.Trunc(scaled)
}

// timeText is the one form of a time: UTC, as many digits as it needs.
func timeText(b []byte) error {
	t, err := time.Parse(time.RFC3339Nano, string(b))
	if err != nil || t.IsZero() || t.UTC().Format(time.RFC3339Nano) != string(b) {
		return malformed("a time that is not written in UTC, or not in its one form")
	}
	return nil
}
