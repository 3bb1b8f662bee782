package release

import (
	"bytes"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// canonical writes content as TOML in the one form that is hashed.
func canonical(kind string, content map[string]any) ([]byte, error) {
	var b bytes.Buffer
	fmt.Fprintf(&b, "# panecal %s 1\n", kind)
	if err := lines(&b, "", content); err != nil {
		return nil, fmt.Errorf("making the canonical form: %w", err)
	}
	return b.Bytes(), nil
}

func lines(b *bytes.Buffer, above string, table map[string]any) error {
	for _, k := range slices.Sorted(maps.Keys(table)) {
		path := above + key(k)
		if t, ok := table[k].(map[string]any); ok && len(t) > 0 {
			if err := lines(b, path+".", t); err != nil {
				return err
			}
			continue
		}
		b.WriteString(path + " = ")
		if err := value(b, table[k]); err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		b.WriteByte('\n')
	}
	return nil
}

func value(b *bytes.Buffer, v any) error {
	switch v := v.(type) {
	case string:
		b.WriteString(quote(v))
	case bool:
		b.WriteString(strconv.FormatBool(v))
	case int64:
		b.WriteString(strconv.FormatInt(v, 10))
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("%v has no canonical form", v)
		}
		// 2 and 2.0 are the same number in a file; up to 2^53 every whole
		// number is one float64.
		if v == math.Trunc(v) && math.Abs(v) < 1<<53 {
			b.WriteString(strconv.FormatInt(int64(v), 10))
			return nil
		}
		text := strconv.FormatFloat(v, 'g', -1, 64)
		if !strings.ContainsAny(text, ".e") {
			text += ".0"
		}
		b.WriteString(text)
	case time.Time:
		b.WriteString(v.UTC().Format(time.RFC3339Nano))
	case fmt.Stringer: // the TOML library's local dates and times
		b.WriteString(v.String())
	case []any:
		b.WriteByte('[')
		for i, e := range v {
			if i > 0 {
				b.WriteString(", ")
			}
			if err := value(b, e); err != nil {
				return err
			}
		}
		b.WriteByte(']')
	case map[string]any:
		b.WriteByte('{')
		for i, k := range slices.Sorted(maps.Keys(v)) {
			if i > 0 {
				b.WriteString(", ")
			}
			b.WriteString(key(k) + " = ")
			if err := value(b, v[k]); err != nil {
				return err
			}
		}
		b.WriteByte('}')
	default:
		return fmt.Errorf("a value of type %T has no canonical form", v)
	}
	return nil
}

func key(k string) string {
	bare := func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '_' || r == '-')
	}
	if k == "" || strings.ContainsFunc(k, bare) {
		return quote(k)
	}
	return k
}

func quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r < 0x20 || r == 0x7f:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
