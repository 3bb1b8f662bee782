package query

import (
	"encoding/json"
	"math"
	"strconv"
)

// Number is a float64 that is null in JSON where it is not finite.
type Number float64

// MarshalJSON writes the shortest form that reads back the same, or null.
func (n Number) MarshalJSON() ([]byte, error) {
	if !n.finite() {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// String gives six digits, or a dash where the number is not known.
func (n Number) String() string {
	if !n.finite() {
		return "-"
	}
	return strconv.FormatFloat(float64(n), 'g', 6, 64)
}

func (n Number) finite() bool { return !math.IsNaN(float64(n)) && !math.IsInf(float64(n), 0) }

func numbers(list []float64) []Number {
	out := make([]Number, len(list))
	for i, v := range list {
		out[i] = Number(v)
	}
	return out
}
