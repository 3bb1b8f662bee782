package capture

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
)

// node is a JSON value with its place.
type node struct {
	path  string
	value any // nil, bool, string, json.Number, []node, map[string]node
}

var errTooLarge = errors.New("the file is too large")

// maxDepth is deeper than any capture file goes.
const maxDepth = 16

// readTree reads one JSON value and nothing after it.
func readTree(r io.Reader) (node, error) {
	dec := json.NewDecoder(r)
	dec.UseNumber()
	root, err := readNode(dec, "$", 0)
	if err != nil {
		return node{}, err
	}
	if _, err := dec.Token(); err != io.EOF {
		return node{}, &Error{"$", errors.New("something follows the end of the capture")}
	}
	return root, nil
}

func readNode(dec *json.Decoder, path string, depth int) (node, error) {
	bad := func(err error) error {
		if dec.InputOffset() > maxFile {
			err = errTooLarge
		} else if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			err = errors.New("the file ends here")
		}
		return &Error{path, err}
	}
	if depth > maxDepth {
		return node{}, &Error{path, errors.New("nested too deep")}
	}
	t, err := dec.Token()
	if err != nil {
		return node{}, bad(err)
	}
	switch t {
	case json.Delim('['):
		list := []node{}
		for i := 0; dec.More(); i++ {
			n, err := readNode(dec, path+"["+strconv.Itoa(i)+"]", depth+1)
			if err != nil {
				return node{}, err
			}
			list = append(list, n)
		}
		if _, err := dec.Token(); err != nil {
			return node{}, bad(err)
		}
		return node{path, list}, nil
	case json.Delim('{'):
		object := map[string]node{}
		for dec.More() {
			k, err := dec.Token()
			if err != nil {
				return node{}, bad(err)
			}
			key, ok := k.(string)
			if !ok {
				return node{}, bad(fmt.Errorf("key %v is not a string", k))
			}
			n, err := readNode(dec, path+"."+key, depth+1)
			if err != nil {
				return node{}, err
			}
			object[key] = n
		}
		if _, err := dec.Token(); err != nil {
			return node{}, bad(err)
		}
		return node{path, object}, nil
	}
	return node{path, t}, nil
}

// decoder keeps the first error; after it every read gives zeros.
type decoder struct{ err error }

func (d *decoder) fail(path, format string, a ...any) {
	if d.err == nil {
		d.err = &Error{path, fmt.Errorf(format, a...)}
	}
}

func (n node) kind() string {
	switch n.value.(type) {
	case nil:
		return "null"
	case bool:
		return "true or false"
	case string:
		return "a string"
	case json.Number:
		return "a number"
	case []node:
		return "a list"
	}
	return "an object"
}

func (n node) isNull() bool { return n.value == nil }

// find returns the value of a key; null counts as absent.
func (n node) find(d *decoder, key string) (node, bool) {
	m, ok := n.value.(map[string]node)
	if !ok {
		if d.err == nil {
			d.fail(n.path, "%s, want an object", n.kind())
		}
		return node{}, false
	}
	v, ok := m[key]
	return v, ok && v.value != nil
}

func (n node) get(d *decoder, key string) node {
	if v, ok := n.find(d, key); ok {
		return v
	}
	d.fail(n.path+"."+key, "missing")
	return node{path: n.path + "." + key}
}

func (n node) list(d *decoder, want int) []node {
	l, ok := n.value.([]node)
	switch {
	case d.err != nil:
	case !ok:
		d.fail(n.path, "%s, want a list", n.kind())
	case want >= 0 && len(l) != want:
		d.fail(n.path, "%d entries, want %d", len(l), want)
	default:
		return l
	}
	return nil
}

func (n node) number(d *decoder) float64 {
	s, ok := n.value.(json.Number)
	if d.err != nil {
		return 0
	}
	if !ok {
		d.fail(n.path, "%s, want a number", n.kind())
		return 0
	}
	v, err := strconv.ParseFloat(string(s), 64)
	if err != nil || math.IsInf(v, 0) {
		d.fail(n.path, "%s is out of range", s)
		return 0
	}
	return v
}

func (n node) above(d *decoder, low float64) float64 {
	v := n.number(d)
	if d.err == nil && !(v > low) {
		d.fail(n.path, "%g, want above %g", v, low)
	}
	return v
}

func (n node) atLeast(d *decoder, low float64) float64 {
	v := n.number(d)
	if d.err == nil && !(v >= low) {
		d.fail(n.path, "%g, want at least %g", v, low)
	}
	return v
}

// whole reads a whole number from low to high; 1e6 and 5.0 are whole.
func (n node) whole(d *decoder, low, high int64) int64 {
	v := n.number(d)
	if d.err != nil {
		return 0
	}
	if v != math.Trunc(v) {
		d.fail(n.path, "%g, want a whole number", v)
		return 0
	}
	if v < float64(low) || v > float64(high) {
		d.fail(n.path, "%.0f, want %d to %d", v, low, high)
		return 0
	}
	return int64(v)
}

func (n node) text(d *decoder) string {
	s, ok := n.value.(string)
	if !ok && d.err == nil {
		d.fail(n.path, "%s, want a string", n.kind())
	}
	return s
}

func (n node) yes(d *decoder) bool {
	b, ok := n.value.(bool)
	if !ok && d.err == nil {
		d.fail(n.path, "%s, want true or false", n.kind())
	}
	return b
}

func (n node) numbers(d *decoder, want int) []float64 {
	l := n.list(d, want)
	out := make([]float64, 0, len(l))
	for _, m := range l {
		out = append(out, m.number(d))
	}
	return out
}
