package productmake

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// draft is a product file on its way: keys with their values as they will be
// written, in the order in which they were put.
type draft struct {
	keys []string // with their tables, as in "pulse.step_ps"
	text map[string]string
	why  map[string]string
	docs map[string]any // what documents say, by key
	used []string
}

func newDraft(docs map[string]any) *draft {
	d := &draft{text: map[string]string{}, why: map[string]string{}, docs: map[string]any{}}
	d.flatten("", docs)
	return d
}

// flatten makes one key of each value of documents.
func (d *draft) flatten(table string, from map[string]any) {
	for k, v := range from {
		if t, ok := v.(map[string]any); ok {
			d.flatten(table+k+".", t)
			continue
		}
		d.docs[table+k] = v
	}
}

// says tells whether documents say anything of a key or of a table.
func (d *draft) says(key string) bool {
	for k := range d.docs {
		if k == key || strings.HasPrefix(k, key+".") {
			return true
		}
	}
	return false
}

// number is what documents say of a key.
func (d *draft) number(key string) (float64, bool) {
	switch v := d.docs[key].(type) {
	case float64:
		return v, true
	case int64:
		return float64(v), true
	}
	return 0, false
}

// put writes a value, or what documents say instead; why stands beside it.
func (d *draft) put(key string, value any, why string) {
	if v, ok := d.docs[key]; ok {
		value, why = v, "documents"
		d.used = append(d.used, key)
	}
	d.set(key, value, why)
}

func (d *draft) set(key string, value any, why string) {
	if _, ok := d.text[key]; !ok {
		d.keys = append(d.keys, key)
	}
	d.text[key], d.why[key] = literal(value), why
}

// rest puts what else documents say.
func (d *draft) rest() {
	for _, k := range slices.Sorted(maps.Keys(d.docs)) {
		if _, ok := d.text[k]; !ok {
			d.put(k, nil, "")
		}
	}
}

// literal is a value as TOML has it.
func literal(v any) string {
	switch v := v.(type) {
	case []float64:
		var b strings.Builder
		b.WriteString("[")
		for i, x := range v {
			if i%10 == 0 && len(v) > 10 {
				b.WriteString("\n ")
			}
			if i > 0 && (i%10 != 0 || len(v) <= 10) {
				b.WriteString(" ")
			} else if len(v) > 10 {
				b.WriteString(" ")
			}
			b.WriteString(number(x))
			if i < len(v)-1 || len(v) > 10 {
				b.WriteString(",")
			}
		}
		if len(v) > 10 {
			b.WriteString("\n")
		}
		return b.String() + "]"
	case float64:
		return number(v)
	}
	text, err := toml.Marshal(map[string]any{"v": v})
	if err != nil {
		return strconv.Quote(fmt.Sprint(v))
	}
	return strings.TrimSpace(strings.TrimPrefix(string(text), "v = "))
}

// number writes six digits, as many as anything here is known to.
func number(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }

// bytes is the file.
func (d *draft) bytes(head []string) []byte {
	var b strings.Builder
	for _, h := range head {
		fmt.Fprintf(&b, "# %s\n", h)
	}
	var tables []string
	in := map[string][]string{}
	for _, k := range d.keys {
		table := ""
		if i := strings.LastIndexByte(k, '.'); i >= 0 {
			table = k[:i]
		}
		if _, ok := in[table]; !ok && table != "" {
			tables = append(tables, table)
		}
		in[table] = append(in[table], k)
	}
	write := func(table string) {
		for _, k := range in[table] {
			text := d.text[k]
			if strings.Contains(text, "\n") {
				if d.why[k] != "" {
					fmt.Fprintf(&b, "# %s\n", d.why[k])
				}
				fmt.Fprintf(&b, "%s = %s\n", k[len(table)+min(len(table), 1):], text)
				continue
			}
			row := fmt.Sprintf("%s = %s", k[len(table)+min(len(table), 1):], text)
			if d.why[k] != "" {
				row = fmt.Sprintf("%-35s # %s", row, d.why[k])
			}
			b.WriteString(row + "\n")
		}
	}
	b.WriteString("\n")
	write("")
	for _, t := range tables {
		fmt.Fprintf(&b, "\n[%s]\n", t)
		write(t)
	}
	return []byte(b.String())
}
