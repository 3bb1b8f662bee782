package strict

import (
	"reflect"
	"slices"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2/unstable"
)

var timeType = reflect.TypeFor[time.Time]()

// typeAt follows path down from t. Known is false where a struct has no such
// key; the type is nil below a value that takes anything.
func typeAt(t reflect.Type, path []string) (at reflect.Type, known bool) {
	for _, part := range path {
		for t.Kind() == reflect.Pointer {
			t = t.Elem()
		}
		switch {
		case isStruct(t):
			f := slices.IndexFunc(fields(t), func(f reflect.StructField) bool { return tag(f) == part })
			if f < 0 {
				return nil, false
			}
			t = fields(t)[f].Type
		case t.Kind() == reflect.Map, t.Kind() == reflect.Slice, t.Kind() == reflect.Array:
			t = t.Elem()
		case t.Kind() == reflect.Interface:
			return nil, true
		default:
			return nil, false
		}
	}
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.Kind() == reflect.Interface {
		return nil, true
	}
	return t, true
}

func fields(t reflect.Type) []reflect.StructField {
	list := make([]reflect.StructField, t.NumField())
	for i := range list {
		list[i] = t.Field(i)
	}
	return list
}

// tag gives the key of a field; a field without one takes no key, so that a
// name of ours never becomes a key by accident.
func tag(f reflect.StructField) string {
	name, _, _ := strings.Cut(f.Tag.Get("toml"), ",")
	if name == "-" {
		return ""
	}
	return name
}

func isStruct(t reflect.Type) bool { return t.Kind() == reflect.Struct && t != timeType }

func isTable(t reflect.Type) bool {
	return t != nil && (isStruct(t) || t.Kind() == reflect.Map || t.Kind() == reflect.Interface)
}

// fits says whether a value of that kind may stand where t is wanted. A whole
// number may stand where any number is wanted.
func fits(t reflect.Type, k unstable.Kind) bool {
	switch {
	case t == timeType:
		return k == unstable.DateTime
	case isTable(t):
		return k == unstable.InlineTable
	}
	switch t.Kind() {
	case reflect.String:
		return k == unstable.String
	case reflect.Bool:
		return k == unstable.Bool
	case reflect.Float64:
		return k == unstable.Float || k == unstable.Integer
	case reflect.Slice, reflect.Array:
		return k == unstable.Array
	default:
		return k == unstable.Integer
	}
}

func wants(t reflect.Type) string {
	switch {
	case t == timeType:
		return "a time"
	case isTable(t):
		return "a table"
	}
	switch t.Kind() {
	case reflect.String:
		return "text"
	case reflect.Bool:
		return "true or false"
	case reflect.Float64:
		return "a number"
	case reflect.Slice, reflect.Array:
		if isTable(t.Elem()) {
			return "an array of tables"
		}
		return "an array"
	default:
		return "a whole number"
	}
}

func found(k unstable.Kind) string {
	switch k {
	case unstable.String:
		return "text"
	case unstable.Bool:
		return "true or false"
	case unstable.Float:
		return "a number with a fraction"
	case unstable.Integer:
		return "a whole number"
	case unstable.Array:
		return "an array"
	case unstable.InlineTable:
		return "a table"
	case unstable.DateTime:
		return "a time"
	default:
		return "a date or time without an offset from UTC"
	}
}

func example(key string, t reflect.Type) string {
	switch {
	case t == timeType:
		return key + " = 2026-01-31T06:00:00Z"
	case isTable(t):
		return "[" + key + "]"
	}
	switch t.Kind() {
	case reflect.String:
		return key + ` = "text"`
	case reflect.Bool:
		return key + " = true"
	case reflect.Float64:
		return key + " = 1.5"
	case reflect.Slice, reflect.Array:
		if isTable(t.Elem()) {
			return "[[" + key + "]]"
		}
		return key + " = [ … ]"
	default:
		return key + " = 1"
	}
}

// suggest names the key that was likely meant, or all keys of the table.
func suggest(name string, table reflect.Type) string {
	var keys []string
	if isStruct(table) {
		for _, f := range fields(table) {
			if k := tag(f); k != "" {
				keys = append(keys, k)
			}
		}
	}
	best, distance := "", 3
	for _, k := range keys {
		if n := edits(strings.ToLower(name), k); n < distance && n < len(k) {
			best, distance = k, n
		}
	}
	if best != "" {
		return "did you mean " + best + "?"
	}
	slices.Sort(keys)
	return "take it out; known here: " + strings.Join(keys, " ")
}

// edits is the Levenshtein distance of two short words.
func edits(a, b string) int {
	if len(a) > 64 {
		return len(a)
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		above := row[0]
		row[0] = i + 1
		for j := range len(b) {
			swap := above
			if a[i] != b[j] {
				swap++
			}
			above = row[j+1]
			row[j+1] = min(swap, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
