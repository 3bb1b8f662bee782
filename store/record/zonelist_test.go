package record_test

import (
	"testing"

	"example.org/panecal/store/record"
)

func TestZoneList(t *testing.T) {
	every := make([]int, 54)
	for i := range every {
		every[i] = i
	}
	for _, c := range []struct {
		zones []int
		of    int
		want  string
	}{
		{nil, 54, "none"},
		{every, 54, "all"},
		{every, 0, "0-53"},
		{every[:53], 54, "0-52"},
		{[]int{0}, 1, "0"},
		{[]int{12, 3, 4, 5, 6, 7, 7}, 54, "3-7, 12"},
		{[]int{1, 2, 9}, 54, "1, 2, 9"},
	} {
		if got := record.ZoneList(c.zones, c.of); got != c.want {
			t.Errorf("%v of %d: %q, want %q", c.zones, c.of, got, c.want)
		}
	}
}
