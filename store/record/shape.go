package record

import (
	"cmp"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/fxamacker/cbor/v2"
)

// shape says what the byte form of a Go type is.
type shape struct {
	what   string
	majors uint8 // one bit for each major type that it may have
	isBool bool
	null   bool               // null stands for the zero value
	tag    uint64             // of a tagged item
	length int                // of the content in bytes, 0 for any
	check  func([]byte) error // of the content
	each   *shape             // of the items of a list, or of what is tagged
	fields []field            // of a map, in order of key
}

type field struct {
	key     uint64
	since   int  // version of the schema that brought it
	mayStay bool // it is left out where it is empty
	shape   *shape
}

// shapes holds the shape of the envelope, of a capture and of every body. It
// is constant after the first call.
var shapes = sync.OnceValue(func() struct {
	envelope, capture *shape
	bodies            []*shape
} {
	known := map[reflect.Type]*shape{}
	s := struct {
		envelope, capture *shape
		bodies            []*shape
	}{shapeOf(reflect.TypeFor[envelope](), known), shapeOf(reflect.TypeFor[Capture](), known), make([]*shape, len(kinds))}
	for _, k := range Kinds() {
		s.bodies[k] = shapeOf(reflect.TypeOf(kinds[k].body()).Elem(), known)
	}
	return s
})

// shapeOf derives the shape of t. What it does not know is an error of the
// program: a schema may use these types only.
func shapeOf(t reflect.Type, known map[reflect.Type]*shape) *shape {
	if s := known[t]; s != nil {
		return s
	}
	if t == reflect.TypeFor[cbor.RawMessage]() {
		return nil // anything
	}
	s := &shape{what: t.String()}
	known[t] = s
	only := func(majors ...int) *shape {
		for _, m := range majors {
			s.majors |= 1 << m
		}
		return s
	}
	switch t {
	case reflect.TypeFor[time.Time]():
		s.null, s.check = true, timeText
		return only(majorText)
	case reflect.TypeFor[Counts]():
		s.tag = tagUint32LE
		s.each = &shape{what: "bytes", majors: 1 << majorBytes}
		return only(majorTag)
	}
	switch t.Kind() {
	case reflect.Pointer:
		*s = *shapeOf(t.Elem(), known)
		return s
	case reflect.Struct:
		for i := range t.NumField() {
			s.fields = append(s.fields, fieldOf(t.Field(i), known))
		}
		slices.SortFunc(s.fields, func(a, b field) int { return cmp.Compare(a.key, b.key) })
		return only(majorMap)
	case reflect.Array:
		s.length = t.Len()
		return only(majorBytes)
	case reflect.Slice:
		if t.Elem().Kind() == reflect.Uint8 {
			return only(majorBytes)
		}
		s.each = shapeOf(t.Elem(), known)
		return only(majorList)
	case reflect.String:
		return only(majorText)
	case reflect.Bool:
		s.isBool = true
		return only(majorSimple)
	case reflect.Float64:
		return only(majorSimple)
	case reflect.Int, reflect.Int32, reflect.Int64:
		return only(majorUint, majorNegative)
	case reflect.Uint16, reflect.Uint32, reflect.Uint64:
		return only(majorUint)
	}
	panic(fmt.Sprintf("record: a schema with a %s", t))
}

// fieldOf reads the tags of a field: `cbor:"KEY,keyasint,omitempty"` and, for
// one that was added later, `since:"VERSION"`.
func fieldOf(f reflect.StructField, known map[reflect.Type]*shape) field {
	parts := strings.Split(f.Tag.Get("cbor"), ",")
	key, err := strconv.ParseUint(parts[0], 10, 16)
	since, serr := strconv.Atoi(cmp.Or(f.Tag.Get("since"), "1"))
	if err != nil || serr != nil {
		panic(fmt.Sprintf("record: the tags of %s cannot be read", f.Name))
	}
	return field{key: key, since: since, mayStay: slices.Contains(parts, "omitempty"), shape: shapeOf(f.Type, known)}
}

// field returns the place of a key among the fields, -1 for none.
func (s *shape) field(key uint64) int {
	i, found := slices.BinarySearchFunc(s.fields, key, func(f field, key uint64) int { return cmp.Compare(f.key, key) })
	if !found {
		return -1
	}
	return i
}

// takes says whether an item with that head may stand for the type.
func (s *shape) takes(major, info byte) bool {
	const isFalse, isTrue, isNull = 20, 21, 22
	if major == majorSimple && info < 24 {
		return info == isNull && s.null || s.isBool && (info == isFalse || info == isTrue)
	}
	return s.majors&(1<<major) != 0 && !s.isBool
}

// content proves the content of a text or of bytes.
func (s *shape) content(b []byte) error {
	switch {
	case s == nil:
		return nil
	case s.length > 0 && len(b) != s.length:
		return malformed("%d bytes where %d should be", len(b), s.length)
	case s.check != nil:
		return s.check(b)
	}
	return nil
}
