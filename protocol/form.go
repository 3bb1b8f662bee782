package protocol

import (
	"fmt"
	"slices"
)

// form carries the fields of one message body between a Go struct and an
// integer-keyed map, in whichever direction: each body lists its keys once.
type form struct {
	decoding bool
	out      []byte // encoding: keys and values so far, keys ascending
	n        int    // encoding: how many
	in       []entry
	err      error // the first thing that went wrong
}

type entry struct {
	key   int64
	value []byte // one whole data item, already checked
}

// maxEntries bounds the keys of one body; no message has half as many.
const maxEntries = 64

// readForm takes one map from b, checked before by skipItem.
func readForm(b []byte) (*form, []byte, error) {
	major, n, rest, err := readHead(b)
	if err != nil || major != majorMap || n > maxEntries {
		return nil, nil, errCBOR
	}
	f := &form{decoding: true}
	for range n {
		var e entry
		if e.key, rest, err = readInt(rest); err != nil {
			return nil, nil, err
		}
		after, err := skipItem(rest, maxDepth-1)
		if err != nil {
			return nil, nil, err
		}
		e.value, rest = rest[:len(rest)-len(after)], after
		f.in = append(f.in, e)
	}
	return f, rest, nil
}

func (f *form) fail(key int64, why string) {
	if f.err == nil {
		f.err = fmt.Errorf("key %d: %s", key, why)
	}
}

// has says whether a key that may be missing is there.
func (f *form) has(key int64) bool {
	return slices.ContainsFunc(f.in, func(e entry) bool { return e.key == key })
}

// value finds a key that must be there.
func (f *form) value(key int64) []byte {
	for _, e := range f.in {
		if e.key == key {
			return e.value
		}
	}
	f.fail(key, "missing")
	return nil
}

// put begins a key; its value is appended to f.out next.
func (f *form) put(key int64) {
	f.out = appendInt(f.out, key)
	f.n++
}

type integer interface {
	~int | ~int32 | ~int64 | ~uint8 | ~uint32
}

// num carries an integer between lo and hi.
func num[T integer](f *form, key int64, v *T, lo, hi int64) {
	n := int64(*v)
	if f.decoding {
		value := f.value(key)
		if value == nil {
			return
		}
		var err error
		if n, _, err = readInt(value); err != nil {
			f.fail(key, "not an integer")
			return
		}
	}
	if n < lo || n > hi {
		f.fail(key, fmt.Sprintf("%d is not between %d and %d", n, lo, hi))
		return
	}
	if f.decoding {
		*v = T(n)
		return
	}
	f.put(key)
	f.out = appendInt(f.out, n)
}

// flag carries a bool as 0 or 1.
func (f *form) flag(key int64, v *bool) {
	var n uint8
	if *v {
		n = 1
	}
	num(f, key, &n, 0, 1)
	*v = n == 1
}

// text carries a text string of at most limit bytes.
func (f *form) text(key int64, v *string, limit int) {
	s := []byte(*v)
	f.str(key, majorText, &s, 0, limit)
	*v = string(s)
}

// bytes carries a byte string of least to limit bytes.
func (f *form) bytes(key int64, v *[]byte, least, limit int) { f.str(key, majorBytes, v, least, limit) }

func (f *form) str(key int64, want byte, v *[]byte, least, limit int) {
	s := *v
	if f.decoding {
		value := f.value(key)
		if value == nil {
			return
		}
		major, _, rest, err := readHead(value)
		if err != nil || major != want {
			f.fail(key, "wrong kind of value")
			return
		}
		s = append([]byte(nil), rest...)
	}
	if len(s) < least || len(s) > limit {
		f.fail(key, fmt.Sprintf("%d bytes, not %d to %d", len(s), least, limit))
		return
	}
	if f.decoding {
		*v = s
		return
	}
	f.put(key)
	f.out = append(appendHead(f.out, want, uint64(len(s))), s...)
}

// items takes the array at key apart, calling each with what is left of it;
// each returns what follows the item it took.
func (f *form) items(key int64, each func(b []byte) ([]byte, error)) {
	value := f.value(key)
	if value == nil {
		return
	}
	major, n, rest, err := readHead(value)
	if err != nil || major != majorArray {
		f.fail(key, "not an array")
		return
	}
	for range n {
		if rest, err = each(rest); err != nil {
			f.fail(key, err.Error())
			return
		}
	}
}
