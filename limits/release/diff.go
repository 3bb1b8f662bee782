package release

import (
	"fmt"
	"slices"
	"strings"
)

// Diff tells in words, a line each, what one revision changes against another
// of the same kind; nothing where they are one revision.
func Diff(old, new *Document) []string {
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
	lines := []string{}
	for _, k := range keys {
		a, was := before[k]
		b, is := after[k]
		switch {
		case !was:
			lines = append(lines, fmt.Sprintf("%s is new: %s", k, b))
		case !is:
			lines = append(lines, fmt.Sprintf("%s is gone; it was %s", k, a))
		case a != b:
			lines = append(lines, fmt.Sprintf("%s changes from %s to %s", k, a, b))
		}
	}
	return lines
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
