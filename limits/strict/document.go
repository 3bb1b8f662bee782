package strict

import (
	"errors"
	"fmt"
	"reflect"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// MaxBytes is the largest file that is read: a released file is written by
// people and holds at most a pulse table and a list of pairs.
const MaxBytes = 4 << 20

// maxDepth bounds nested arrays and inline tables; no file of ours needs more
// than a few.
const maxDepth = 16

// Document is one file while it is read: its content, the place of every key
// and the faults found so far.
type Document struct {
	file    string
	data    []byte
	content map[string]any
	keys    map[string]int // path -> offset of the key
	values  map[string]int // path -> offset of the value
	counts  map[string]int // path of an array of tables -> tables so far
	faults  Faults
}

// Decode reads data, the content of the file of that name, into the struct
// that into points to. Keys are those of the toml tags; a field with a tag
// need:"…" must be there, and the tag says how to mend its absence.
//
// Where the file is not TOML, has an unknown key, a value of the wrong kind
// or lacks a needed key, the error is [Faults] and into is not to be used; the
// Document is nil only where the file is not TOML at all.
func Decode(file string, data []byte, into any) (*Document, error) {
	d := &Document{file: file, data: data, keys: map[string]int{}, values: map[string]int{}, counts: map[string]int{}}
	if len(data) > MaxBytes {
		d.at(0, "", fmt.Sprintf("the file has %d bytes, more than the %d that are read", len(data), MaxBytes), "check that this is the right file")
		return nil, d.faults
	}
	if err := toml.Unmarshal(data, &d.content); err != nil {
		d.syntax(err)
		return nil, d.faults
	}
	root := reflect.TypeOf(into).Elem()
	d.walk(root)
	d.require(root, d.content, nil)
	if err := d.Err(); err != nil {
		return d, err
	}
	if err := toml.Unmarshal(data, into); err != nil {
		d.syntax(err)
		return d, d.faults
	}
	return d, nil
}

// File gives the name of the file.
func (d *Document) File() string { return d.file }

// Content gives the decoded file: tables are map[string]any, arrays []any,
// the rest string, int64, float64, bool, time.Time or the local dates and
// times of go-toml. It is not to be changed.
func (d *Document) Content() map[string]any { return d.content }

// Has says whether the file has that key.
func (d *Document) Has(path ...string) bool {
	_, ok := d.keys[join(path)]
	return ok
}

// Order gives a number that grows with the place of a key in the file, −1
// where the file does not have it.
func (d *Document) Order(path ...string) int {
	if at, ok := d.keys[join(path)]; ok {
		return at
	}
	return -1
}

// Report adds a fault at the value of the key, or at the nearest table above
// it that the file has. Elements of arrays are named by their index, "0".
func (d *Document) Report(problem, mend string, path ...string) {
	place := 0
	for n := len(path); n > 0; n-- {
		key := join(path[:n])
		if at, ok := d.values[key]; ok {
			place = at
			break
		}
		if at, ok := d.keys[key]; ok {
			place = at
			break
		}
	}
	d.at(place, strings.Join(path, "."), problem, mend)
}

// Err returns the faults so far as one error of type [Faults], sorted by
// place, or nil.
func (d *Document) Err() error {
	if len(d.faults) == 0 {
		return nil
	}
	d.faults.sort()
	return d.faults
}

func (d *Document) at(offset int, path, problem, mend string) {
	before := d.data[:min(offset, len(d.data))]
	line := 1 + strings.Count(string(before), "\n")
	start := strings.LastIndexByte(string(before), '\n') + 1
	d.faults = append(d.faults, &Fault{
		File: d.file, Line: line, Column: 1 + utf8.RuneCount(before[start:]),
		Path: path, Problem: problem, Mend: mend,
	})
}

func (d *Document) syntax(err error) {
	offset := 0
	var decode *toml.DecodeError
	if errors.As(err, &decode) {
		row, column := decode.Position()
		offset = d.offset(row, column)
	}
	problem := strings.TrimPrefix(err.Error(), "toml: ")
	mend := `write one key = value a line, text in "quotes", tables as [name]`
	switch {
	case strings.Contains(problem, "already"):
		mend = "keep one of the two"
	case strings.Contains(problem, "U+00EF"):
		mend = "save the file as UTF-8 without a byte order mark"
	case strings.Contains(problem, "UTF-8"):
		mend = "save the file as UTF-8"
	case strings.Contains(problem, "out of range"):
		mend = "write a number that a 64-bit number can hold"
	}
	d.at(offset, "", problem, mend)
}

// offset turns the row and byte column of the TOML library into an offset.
func (d *Document) offset(row, column int) int {
	at := 0
	for ; row > 1; row-- {
		i := strings.IndexByte(string(d.data[at:]), '\n')
		if i < 0 {
			break
		}
		at += i + 1
	}
	return min(at+max(column-1, 0), len(d.data))
}

// walk notes the place of every key and holds it against the type that it
// decodes into.
func (d *Document) walk(root reflect.Type) {
	var p unstable.Parser
	p.Reset(d.data)
	var table []string
	for p.NextExpression() {
		e := p.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			table = d.header(root, e)
		case unstable.KeyValue:
			d.keyValue(root, table, e, 0)
		}
	}
	// The same bytes have been decoded already: the parser cannot fail here
	// unless the library disagrees with itself, which must not pass either.
	if err := p.Error(); err != nil {
		d.at(0, "", "the file cannot be read: "+err.Error(), "write it again")
	}
}

func (d *Document) header(root reflect.Type, e *unstable.Node) []string {
	var path []string
	place := 0
	for it := e.Key(); it.Next(); {
		key := it.Node()
		place = int(key.Raw.Offset)
		path = append(path, string(key.Data))
		d.note(root, path, key)
		if n, ok := d.counts[join(path)]; ok && !it.IsLast() {
			path = append(path, strconv.Itoa(n-1))
		}
	}
	if e.Kind == unstable.ArrayTable {
		whole := join(path)
		d.counts[whole]++
		path = append(path, strconv.Itoa(d.counts[whole]-1))
		d.keys[join(path)] = place
	}
	if t, ok := typeAt(root, path); ok && t != nil && !isTable(t) {
		d.Report(fmt.Sprintf("%q is a table here and wants %s", last(path), wants(t)), "write it as "+last(path)+" = …", path...)
	}
	return path
}

func (d *Document) keyValue(root reflect.Type, table []string, e *unstable.Node, depth int) {
	path := table[:len(table):len(table)]
	for it := e.Key(); it.Next(); {
		key := it.Node()
		path = append(path[:len(path):len(path)], string(key.Data))
		d.note(root, path, key)
	}
	d.value(root, path, e.Value(), depth)
}

func (d *Document) value(root reflect.Type, path []string, v *unstable.Node, depth int) {
	if depth > maxDepth {
		d.Report("too many nested arrays or tables", "write it flat", path...)
		return
	}
	if v.Kind != unstable.Array {
		d.values[join(path)] = int(v.Raw.Offset)
	}
	t, known := typeAt(root, path)
	if known && t != nil && !fits(t, v.Kind) {
		d.Report(fmt.Sprintf("%q wants %s, found %s", last(path), wants(t), found(v.Kind)), "write "+example(last(path), t), path...)
		return
	}
	switch v.Kind {
	case unstable.Float:
		if text := strings.ToLower(string(v.Data)); strings.Contains(text, "nan") || strings.Contains(text, "inf") {
			d.Report(fmt.Sprintf("%q is not a finite number", last(path)), "write a number, or leave the key out", path...)
		}
	case unstable.Array:
		i := 0
		for it := v.Children(); it.Next(); {
			if it.Node().Kind == unstable.Comment {
				continue
			}
			d.value(root, append(path[:len(path):len(path)], strconv.Itoa(i)), it.Node(), depth+1)
			i++
		}
	case unstable.InlineTable:
		for it := v.Children(); it.Next(); {
			if it.Node().Kind == unstable.KeyValue {
				d.keyValue(root, path, it.Node(), depth+1)
			}
		}
	}
}

// note records the place of a key and reports it where the type has none of
// that name. Of a run of unknown keys only the first is reported.
func (d *Document) note(root reflect.Type, path []string, key *unstable.Node) {
	whole := join(path)
	if _, ok := d.keys[whole]; ok {
		return
	}
	d.keys[whole] = int(key.Raw.Offset)
	if _, known := typeAt(root, path); known {
		return
	}
	above, known := typeAt(root, path[:len(path)-1])
	if !known || !isTable(above) {
		return
	}
	name := last(path)
	d.at(int(key.Raw.Offset), strings.Join(path, "."), fmt.Sprintf("unknown key %q", name), suggest(name, above))
}

// require reports needed keys that the tables of the file lack.
func (d *Document) require(t reflect.Type, content any, path []string) {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	down := func(part string) []string { return append(path[:len(path):len(path)], part) }
	switch c := content.(type) {
	case map[string]any:
		switch {
		case isStruct(t):
			for i := range t.NumField() {
				name := tag(t.Field(i))
				if v, ok := c[name]; ok {
					d.require(t.Field(i).Type, v, down(name))
				} else if mend, ok := t.Field(i).Tag.Lookup("need"); ok && name != "" {
					d.Report(fmt.Sprintf("%q is missing", name), mend, down(name)...)
				}
			}
		case t.Kind() == reflect.Map:
			for name, v := range c {
				d.require(t.Elem(), v, down(name))
			}
		}
	case []any:
		if t.Kind() == reflect.Slice || t.Kind() == reflect.Array {
			for i, v := range c {
				d.require(t.Elem(), v, down(strconv.Itoa(i)))
			}
		}
	}
}

func join(path []string) string { return strings.Join(path, "\x00") }

func last(path []string) string {
	for i := len(path) - 1; i > 0; i-- {
		if _, err := strconv.Atoi(path[i]); err != nil {
			return path[i]
		}
	}
	if len(path) == 0 {
		return ""
	}
	return path[0]
}
