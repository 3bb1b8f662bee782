package limits

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"example.org/panecal/limits/release"
)

// Differences tells in words, a line each, what one revision of a limits file
// changes against another: which limits are tighter or wider, and where units
// go. What belongs to neither is told key by key.
func Differences(old, new *release.Document) []string {
	all := release.Changes(old, new)
	var lines, rest []string
	said := map[string]bool{} // limits and bins that are new or gone, which one line tells
	for _, c := range all {
		if len(c.Path) < 3 || !slices.Contains([]string{"limit", "bin", "hard_bin"}, c.Path[0]) {
			rest = append(rest, c.String())
			continue
		}
		name := c.Path[0] + "." + c.Path[1]
		if said[name] {
			continue
		}
		if line, ok := whole(all, c); ok {
			said[name] = true
			lines = append(lines, line)
			continue
		}
		lines = append(lines, inWords(c))
	}
	return append(lines, rest...)
}

// what people call a table of the file.
var tables = map[string]string{"limit": "the limit of %s", "bin": "the soft bin %s", "hard_bin": "the hard bin %s"}

// whole tells of a limit or a bin that is new or gone altogether: all its keys
// are, and so the one that it cannot be without.
func whole(all []release.Change, c release.Change) (string, bool) {
	needs := map[string]string{"limit": "unit", "bin": "number", "hard_bin": "number"}[c.Path[0]]
	say := fmt.Sprintf(tables[c.Path[0]], c.Path[1])
	var ends []string
	for _, d := range all {
		if len(d.Path) != 3 || d.Path[0] != c.Path[0] || d.Path[1] != c.Path[1] {
			continue
		}
		switch {
		case d.Path[2] == needs && d.Before == "":
			say += " is new"
		case d.Path[2] == needs && d.After == "":
			return say + " is gone", true
		}
		if d.Path[2] == "low" || d.Path[2] == "high" || d.Path[2] == "k" || d.Path[2] == "disposition" {
			ends = append(ends, d.Path[2]+" "+unquoted(d.After))
		}
	}
	if !strings.HasSuffix(say, " is new") {
		return "", false
	}
	if len(ends) > 0 {
		say += ": " + strings.Join(ends, ", ")
	}
	return say, true
}

// inWords tells one key of a limit or a bin.
func inWords(c release.Change) string {
	of, key := c.Path[1], strings.Join(c.Path[2:], ".")
	from := func(what string) string {
		switch {
		case c.Before == "":
			return fmt.Sprintf("%s: %s is new: %s", of, what, unquoted(c.After))
		case c.After == "":
			return fmt.Sprintf("%s: %s is gone; it was %s", of, what, unquoted(c.Before))
		}
		return fmt.Sprintf("%s: %s goes from %s to %s", of, what, unquoted(c.Before), unquoted(c.After))
	}
	switch c.Path[0] + "." + key {
	case "limit.low":
		return from("the lower limit") + tighter(c, true)
	case "limit.high":
		return from("the upper limit") + tighter(c, false)
	case "limit.k":
		return from("the guard factor") + tighter(c, true)
	case "limit.low_bin":
		return from("the bin of units below it")
	case "limit.high_bin":
		return from("the bin of units above it")
	case "limit.optional":
		return from("whether it may be absent")
	case "limit.typical":
		return from("the typical value") + ", for forecasts alone"
	case "limit.typical_u", "limit.typical_sd", "limit.typical_zone_sd":
		return from(map[string]string{"typical_u": "the typical u", "typical_sd": "the typical sd", "typical_zone_sd": "the typical sd from zone to zone"}[key]) + ", for forecasts alone"
	case "bin.hard":
		return "soft bin " + from("the box of its units")
	case "bin.disposition":
		return "soft bin " + from("what becomes of its units")
	case "bin.priority":
		return "soft bin " + from("its priority")
	case "hard_bin.text":
		return "hard bin " + from("what stands on it")
	}
	return map[string]string{"limit": "", "bin": "soft bin ", "hard_bin": "hard bin "}[c.Path[0]] + from(key)
}

// tighter says which way a limit went; up tells that more is tighter.
func tighter(c release.Change, up bool) string {
	a, err := strconv.ParseFloat(c.Before, 64)
	b, errB := strconv.ParseFloat(c.After, 64)
	switch {
	case err != nil || errB != nil:
		return ""
	case b > a == up:
		return ", tighter"
	}
	return ", wider"
}

// unquoted is a value for reading.
func unquoted(v string) string {
	if text, err := strconv.Unquote(v); err == nil {
		return text
	}
	return v
}
