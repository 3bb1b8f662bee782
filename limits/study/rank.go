package study

import (
	"math"
	"slices"
	"sort"
)

// RankOf says at which percentile of a sample a value stands, 0 to 1: the p whose
// percentile of type 8 (Hyndman and Fan, The American Statistician 50, 361 (1996))
// the value is. In the middle of values that are equal to it; below the smallest
// and above the largest value it is the end's, 2/3 of a place beyond which nothing
// is known: (1 − 1/3)/(n + 1/3) and (n − 1/3)/(n + 1/3).
func RankOf(s Sample, v float64) Number {
	if math.IsNaN(v) {
		return Number(math.NaN())
	}
	x := slices.Sorted(slices.Values(s.values))
	n := float64(len(x))
	first := sort.SearchFloat64s(x, v)                                                    // values below v
	last := first + sort.Search(len(x)-first, func(i int) bool { return x[first+i] > v }) // and not above
	var rank float64
	switch {
	case last > first:
		rank = float64(first+1+last) / 2
	case first == 0:
		rank = 1
	case first == len(x):
		rank = n
	default:
		rank = float64(first) + (v-x[first-1])/(x[first]-x[first-1])
	}
	return Number((rank - 1.0/3) / (n + 1.0/3))
}
