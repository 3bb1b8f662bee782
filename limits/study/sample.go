package study

import (
	"math"

	"gonum.org/v1/gonum/floats"
)

// Sample is a column of at least one number, in the order measured.
type Sample struct {
	values  []float64
	offsets []float64 // from the first value
}

// NewSample makes a sample of at least one finite number. It keeps values.
func NewSample(values []float64) Sample {
	offsets := make([]float64, len(values))
	for i, v := range values {
		offsets[i] = v - values[0]
	}
	return Sample{values, offsets}
}

// Len is the number of values.
func (s Sample) Len() int { return len(s.values) }

// mean of the values themselves.
func (s Sample) mean() float64 { return s.values[0] + mean(s.offsets) }

// sd has n − 1; it is NaN for one value.
func (s Sample) sd() float64 { return math.Sqrt(ratio(squares(s.offsets), float64(s.Len()-1))) }

// mean is exact for equal values, and else good to about one unit in the last
// place of the largest distance from the first.
func mean(x []float64) float64 {
	d := make([]float64, len(x))
	for i := range x {
		d[i] = x[i] - x[0]
	}
	n := float64(len(x))
	m := floats.SumCompensated(d) / n
	for i := range d {
		d[i] -= m
	}
	return x[0] + m + floats.SumCompensated(d)/n
}

// squares is the sum of squares about the mean.
func squares(x []float64) float64 {
	m := mean(x)
	d := make([]float64, len(x))
	for i := range x {
		d[i] = x[i] - m
	}
	return sumSquares(d)
}

func sumSquares(d []float64) float64 { return sumProducts(d, d) }

func sumProducts(a, b []float64) float64 {
	p := make([]float64, len(a))
	for i := range a {
		p[i] = a[i] * b[i]
	}
	return floats.SumCompensated(p)
}

// groups is the order in which labels first appear, and the index of each
// value's label in it.
func groups(labels []string) (names []string, of []int) {
	index := map[string]int{}
	of = make([]int, len(labels))
	for i, l := range labels {
		k, ok := index[l]
		if !ok {
			k = len(names)
			index[l] = k
			names = append(names, l)
		}
		of[i] = k
	}
	return names, of
}

// split gives the values of each of n groups.
func split(x []float64, of []int, n int) [][]float64 {
	parts := make([][]float64, n)
	for i, v := range x {
		parts[of[i]] = append(parts[of[i]], v)
	}
	return parts
}
