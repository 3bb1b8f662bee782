package study

import (
	"encoding/json"
	"math"
)

// Number is a result. NaN and the infinities mean "not defined".
type Number float64

// MarshalJSON writes the shortest form that reads back the same, or null
// where the number is not defined.
func (n Number) MarshalJSON() ([]byte, error) {
	if !n.Defined() {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// Defined is false for NaN and the infinities.
func (n Number) Defined() bool {
	return !math.IsNaN(float64(n)) && !math.IsInf(float64(n), 0)
}

// ratio is a/b, NaN where that is not defined.
func ratio(a, b float64) float64 {
	if b == 0 {
		return math.NaN()
	}
	return a / b
}
