package studies

import (
	"fmt"
	"io"
	"reflect"
	"strings"
	"text/tabwriter"

	"example.org/panecal/limits/study"
)

// writeResult is a result of package study for people, whatever its kind:
// single numbers line by line, then indices with their bounds, then tables.
// Names are those of the JSON form, in words.
func writeResult(w io.Writer, result any) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	var tables []field
	bounds := false
	for _, f := range fieldsOf(reflect.ValueOf(result)) {
		switch v := f.value.Interface().(type) {
		case study.Head:
		case study.Bounds:
			if !bounds {
				fmt.Fprintf(t, "\nindex\tvalue\tlower\tupper\n")
				bounds = true
			}
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", f.name, cellText(v.Value), cellText(v.Lower), cellText(v.Upper))
		default:
			if k := f.value.Kind(); k == reflect.Slice {
				tables = append(tables, f)
				continue
			}
			fmt.Fprintf(t, "%s\t%s\n", f.name, cellText(v))
		}
	}
	for _, table := range tables {
		writeTable(t, table)
	}
	return t.Flush()
}

func writeTable(t io.Writer, table field) {
	if table.value.Len() == 0 {
		return
	}
	fmt.Fprintf(t, "\n%s\n", table.name)
	for i := range table.value.Len() {
		row := fieldsOf(table.value.Index(i))
		names, cells := make([]string, len(row)), make([]string, len(row))
		for j, f := range row {
			names[j], cells[j] = f.name, cellText(f.value.Interface())
		}
		if i == 0 {
			fmt.Fprintf(t, "%s\n", strings.Join(names, "\t"))
		}
		fmt.Fprintf(t, "%s\n", strings.Join(cells, "\t"))
	}
}

// field is one that JSON has too, its name in words.
type field struct {
	name  string
	value reflect.Value
}

func fieldsOf(v reflect.Value) []field {
	var fields []field
	for i := range v.NumField() {
		name, rest, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ",")
		if rest == "omitempty" && v.Field(i).IsZero() {
			continue
		}
		fields = append(fields, field{strings.ReplaceAll(name, "_", " "), v.Field(i)})
	}
	return fields
}

func cellText(v any) string {
	switch v := v.(type) {
	case study.Number:
		if !v.Defined() {
			return "-"
		}
		return fmt.Sprintf("%.7g", float64(v))
	case *study.Number:
		return cellText(*v)
	case *int:
		if v == nil {
			return "-"
		}
		return fmt.Sprint(*v)
	case []int:
		return strings.Trim(fmt.Sprint(v), "[]")
	case bool:
		if v {
			return "yes"
		}
		return "no"
	}
	return fmt.Sprint(v)
}
