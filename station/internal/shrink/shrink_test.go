package shrink_test

import (
	"slices"
	"testing"

	"example.org/panecal/station/internal/shrink"
)

func TestPlaces(t *testing.T) {
	asked := 0
	got := shrink.Places(100, 1000, func(some []int) bool {
		asked++
		return slices.Contains(some, 17) && slices.Contains(some, 90)
	})
	if !slices.Equal(got, []int{17, 90}) {
		t.Errorf("after %d questions %v", asked, got)
	}
	if got := shrink.Places(100, 1, func([]int) bool { return true }); len(got) != 50 {
		t.Errorf("one question leaves %d of 100", len(got))
	}
	if got := shrink.Places(5, 100, func([]int) bool { return false }); len(got) != 5 {
		t.Errorf("nothing can be left out, and %v is left", got)
	}
}
