package capture

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
)

// node is a JSON value with its place. A list of numbers is held as such,
// because a capture is nearly nothing else.
type node struct {
	path  string
	value any // nil, bool, string, json.Number, []float64, []node, map[string]node
}

// What a reader takes at most, far above any capture: bytes of the file,
// entries of one list, depth, and bytes that it keeps of the whole.
const (
	maxFile  = 64 << 20
	maxList  = 1 << 17
	maxDepth = 16
	maxKept  = 64 << 20
)

// largest is the size that no number of a capture exceeds; with it every sum
// and square stays finite.
const largest = 1e30

// tree reads JSON into nodes.
type tree struct {
	dec  *json.Decoder
	room int // bytes that may still be kept
}

// readTree reads one JSON value and nothing after it.
func readTree(r io.Reader) (node, error) {
	in := bufio.NewReader(io.LimitReader(r, maxFile+1))
	head, err := in.Peek(4)
	if err != nil && err != io.EOF {
		return node{}, &Error{"$", err}
	}
	if err := encoding(head); err != nil {
		return node{}, &Error{"$", err}
	}
	t := &tree{dec: json.NewDecoder(in), room: maxKept}
	t.dec.UseNumber()
	root, err := t.read("$", 0)
	if err != nil {
		return node{}, err
	}
	if _, err := t.dec.Token(); err != io.EOF {
		return node{}, &Error{"$", errors.New("something follows the end of the capture")}
	}
	return root, nil
}

// encoding names a file that is text, but not plain UTF-8, by its first bytes.
func encoding(head []byte) error {
	const save = "save the file as UTF-8 without a byte order mark"
	begins := func(b ...byte) bool { return bytes.HasPrefix(head, b) }
	switch {
	case begins(0xef, 0xbb, 0xbf):
		return errors.New("the file begins with a byte order mark (BOM): " + save)
	case begins(0xff, 0xfe, 0, 0), begins(0, 0, 0xfe, 0xff), begins(0, 0, 0):
		return errors.New("the file is UTF-32: " + save)
	case begins(0xff, 0xfe), begins(0xfe, 0xff), len(head) > 1 && (head[0] == 0) != (head[1] == 0):
		return errors.New("the file is UTF-16: " + save)
	}
	return nil
}

func (t *tree) fail(path string, err error) error {
	switch {
	case t.dec.InputOffset() >= maxFile:
		err = fmt.Errorf("the file is longer than %d MiB", maxFile>>20)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		err = errors.New("the file ends here")
	}
	return &Error{path, err}
}

// keep counts what is held in memory.
func (t *tree) keep(path string, bytes int) error {
	if t.room -= bytes; t.room < 0 {
		return &Error{path, errors.New("the file holds far more than a capture needs")}
	}
	return nil
}

// nodeSize is about what a node takes beside its path and text.
const nodeSize = 128

func (t *tree) read(path string, depth int) (node, error) {
	if depth > maxDepth {
		return node{}, &Error{path, errors.New("nested too deep")}
	}
	token, err := t.dec.Token()
	if err != nil {
		return node{}, t.fail(path, err)
	}
	size := nodeSize + len(path)
	if s, ok := token.(string); ok {
		size += len(s)
	}
	if err := t.keep(path, size); err != nil {
		return node{}, err
	}
	switch token {
	case json.Delim('['):
		return t.list(path, depth)
	case json.Delim('{'):
		return t.object(path, depth)
	}
	return node{path, token}, nil
}

// list reads numbers for as long as there is nothing else.
func (t *tree) list(path string, depth int) (node, error) {
	var numbers []float64
	nodes := []node{}
	plain := true
	for i := 0; t.dec.More(); i++ {
		if i == maxList {
			return node{}, &Error{path, fmt.Errorf("more than %d entries", maxList)}
		}
		at := entry(path, i)
		n, err := t.read(at, depth+1)
		if err != nil {
			return node{}, err
		}
		if number, ok := n.value.(json.Number); ok && plain {
			t.room += nodeSize + len(at) - 8
			v, _ := strconv.ParseFloat(string(number), 64) // infinite where it is too large
			numbers = append(numbers, v)
			continue
		}
		if plain {
			plain = false
			nodes = nodesOf(path, numbers)
			if err := t.keep(path, len(nodes)*(nodeSize+len(at))); err != nil {
				return node{}, err
			}
		}
		nodes = append(nodes, n)
	}
	if _, err := t.dec.Token(); err != nil {
		return node{}, t.fail(path, err)
	}
	if plain && len(numbers) > 0 {
		return node{path, numbers}, nil
	}
	return node{path, nodes}, nil
}

func nodesOf(path string, numbers []float64) []node {
	nodes := make([]node, len(numbers))
	for i, v := range numbers {
		nodes[i] = node{entry(path, i), json.Number(strconv.FormatFloat(v, 'g', -1, 64))}
	}
	return nodes
}

func (t *tree) object(path string, depth int) (node, error) {
	object := map[string]node{}
	for t.dec.More() {
		k, err := t.dec.Token()
		if err != nil {
			return node{}, t.fail(path, err)
		}
		key, ok := k.(string)
		if !ok {
			return node{}, t.fail(path, fmt.Errorf("key %v is not a string", k))
		}
		at := member(path, key)
		if _, twice := object[key]; twice {
			return node{}, &Error{at, errors.New("this key stands here twice")}
		}
		if err := t.keep(at, len(key)); err != nil {
			return node{}, err
		}
		if object[key], err = t.read(at, depth+1); err != nil {
			return node{}, err
		}
	}
	if _, err := t.dec.Token(); err != nil {
		return node{}, t.fail(path, err)
	}
	return node{path, object}, nil
}

func entry(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }

// member is the path of a key; what is no plain word is quoted and cut, so
// that a path can be shown on any screen.
func member(path, key string) string {
	plain := key != "" && len(key) <= 40
	for _, r := range key {
		plain = plain && (r == '_' || r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z')
	}
	if plain {
		return path + "." + key
	}
	if len(key) > 40 {
		key = key[:40]
	}
	return path + "[" + strconv.QuoteToASCII(key) + "]"
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
	case []node, []float64:
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
	if d.err != nil {
		return nil
	}
	l, ok := n.value.([]node)
	if v, numbers := n.value.([]float64); numbers {
		if want >= 0 && len(v) != want {
			d.fail(n.path, "%d entries, want %d", len(v), want)
			return nil
		}
		return nodesOf(n.path, v)
	}
	switch {
	case !ok:
		d.fail(n.path, "%s, want a list", n.kind())
	case want >= 0 && len(l) != want:
		d.fail(n.path, "%d entries, want %d", len(l), want)
	default:
		return l
	}
	return nil
}

// numbers reads a list of numbers.
func (n node) numbers(d *decoder, want int) []float64 {
	v, ok := n.value.([]float64)
	if !ok { // empty, or something else is in it
		l := n.list(d, want)
		v = make([]float64, 0, len(l))
		for _, m := range l {
			v = append(v, m.number(d))
		}
		return v
	}
	if d.err == nil && want >= 0 && len(v) != want {
		d.fail(n.path, "%d entries, want %d", len(v), want)
	}
	for i, x := range v {
		if d.err == nil && !(math.Abs(x) <= largest) {
			d.fail(entry(n.path, i), "%g is out of range", x)
		}
	}
	return v
}

// wholes reads a list of whole numbers from 0 to high.
func (n node) wholes(d *decoder, want int, high uint32) []uint32 {
	v := n.numbers(d, want)
	out := make([]uint32, len(v))
	for i, x := range v {
		if d.err != nil {
			return nil
		}
		out[i] = uint32(whole(d, func() string { return entry(n.path, i) }, x, 0, int64(high)))
	}
	return out
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
	if err != nil || !(math.Abs(v) <= largest) {
		d.fail(n.path, "%.40s is out of range", s)
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

// between reads a number from low to high.
func (n node) between(d *decoder, low, high float64) float64 {
	v := n.number(d)
	if d.err == nil && !(v >= low && v <= high) {
		d.fail(n.path, "%g, want %g to %g", v, low, high)
	}
	return v
}

// whole reads a whole number from low to high; 1e6 and 5.0 are whole.
func (n node) whole(d *decoder, low, high int64) int64 {
	v := n.number(d)
	if d.err != nil {
		return 0
	}
	return whole(d, func() string { return n.path }, v, low, high)
}

func whole(d *decoder, path func() string, v float64, low, high int64) int64 {
	switch {
	case v != math.Trunc(v):
		d.fail(path(), "%g, want a whole number", v)
	case v < float64(low) || v > float64(high):
		d.fail(path(), "%.0f, want %d to %d", v, low, high)
	default:
		return int64(v)
	}
	return 0
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
