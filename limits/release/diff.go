package release

import (
	"fmt"
	"slices"
	"strings"
)

// Change is a key that one revision says otherwise than another. Before and
// After are values as a file has them, "" where the key is not there.
type Change struct {
	Key           string   // dotted, as in the canonical form
	Path          []string // the key's parts, without quotes
	Before, After string
}

// Changes lists what one revision changes against another of the same kind, in
// the order of keys; nothing where they are one revision.
func Changes(old, new *Document) []Change {
	if old.Revision == new.Revision {
		return nil
	}
	before, after := values(old.Canonical), values(new.Canonical)
	var keys []string
	for k := range before {
		keys = append(keys, k)
	}
	for k := range after {
		if _, ok := before[k]; !ok {
			keys = append(keys, k)
		}
	}
	slices.Sort(keys)
	var all []Change
	for _, k := range keys {
		if before[k] != after[k] {
			all = append(all, Change{k, parts(k), before[k], after[k]})
		}
	}
	return all
}

// String tells the change in words.
func (c Change) String() string {
	switch {
	case c.Before == "":
		return fmt.Sprintf("%s is new: %s", c.Key, c.After)
	case c.After == "":
		return fmt.Sprintf("%s is gone; it was %s", c.Key, c.Before)
	}
	return fmt.Sprintf("%s changes from %s to %s", c.Key, c.Before, c.After)
}

// Diff tells in words, a line each, what one revision changes against another
// of the same kind; nothing where they are one revision.
func Diff(old, new *Document) []string {
	var lines []string
	for _, c := range Changes(old, new) {
		lines = append(lines, c.String())
	}
	return lines
}

// parts are those of a dotted key, of which some may be quoted.
func parts(key string) (all []string) {
	var b strings.Builder
	quoted := false
	for i := 0; i < len(key); i++ {
		switch c := key[i]; {
		case quoted && c == '\\' && i+1 < len(key):
			i++
			b.WriteByte(key[i])
		case c == '"':
			quoted = !quoted
		case c == '.' && !quoted:
			all = append(all, b.String())
			b.Reset()
		default:
			b.WriteByte(c)
		}
	}
	return append(all, b.String())
}

// values are the lines of a canonical form, value by key. A key may be quoted
// and hold what a value may; the first " = " outside quotes parts them.
func values(canonical []byte) map[string]string {
	all := map[string]string{}
	for line := range strings.Lines(string(canonical)) {
		line = strings.TrimSuffix(line, "\n")
		if strings.HasPrefix(line, "#") {
			continue
		}
		quoted := false
		for i := 0; i < len(line); i++ {
			switch {
			case quoted && line[i] == '\\':
				i++
			case line[i] == '"':
				quoted = !quoted
			case !quoted && strings.HasPrefix(line[i:], " = "):
				all[line[:i]] = line[i+3:]
				i = len(line)
			}
		}
	}
	return all
}
