package record

import (
	"slices"
	"strconv"
	"strings"
)

// ZoneList says zones for a reader: "all" where it is each one of so many,
// else in order, with runs drawn together: "3-7, 12".
func ZoneList(zones []int, of int) string {
	list := slices.Compact(slices.Sorted(slices.Values(zones)))
	switch {
	case len(list) == 0:
		return "none"
	case len(list) == of && of > 1 && list[0] == 0 && list[of-1] == of-1:
		return "all"
	}
	var parts []string
	for i := 0; i < len(list); {
		last := i
		for last+1 < len(list) && list[last+1] == list[last]+1 {
			last++
		}
		part := strconv.Itoa(list[i])
		switch last - i {
		case 0:
		case 1:
			part += ", " + strconv.Itoa(list[last])
		default:
			part += "-" + strconv.Itoa(list[last])
		}
		parts = append(parts, part)
		i = last + 1
	}
	return strings.Join(parts, ", ")
}
