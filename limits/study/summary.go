package study

import (
	"fmt"
	"math"
	"slices"
)

// Summary describes one column of numbers.
type Summary struct {
	Head
	N      int    `json:"n"`
	Mean   Number `json:"mean"`
	SD     Number `json:"sd"`
	Median Number `json:"median"`
	Min    Number `json:"min"`
	Max    Number `json:"max"`
	Lag1   Number `json:"lag1"` // autocorrelation of neighbours; undefined where all values are equal
}

// Summarize describes a sample.
func Summarize(s Sample) Summary {
	x := slices.Sorted(slices.Values(s.values))
	n := len(x)
	m := mean(s.offsets)
	d := make([]float64, n)
	for i := range d {
		d[i] = s.offsets[i] - m
	}
	return Summary{head("summary"), n, Number(s.mean()), Number(s.sd()),
		Number(quantile(x, 0.5, 7)), Number(x[0]), Number(x[n-1]),
		Number(ratio(sumProducts(d[:n-1], d[1:]), sumSquares(d)))}
}

// Percentile is a sample percentile.
type Percentile struct {
	Head
	N     int    `json:"n"`
	P     Number `json:"p"`
	Type  int    `json:"type"`
	Value Number `json:"value"`
}

// NewPercentile gives the value below which the share p of the population
// lies, by the definition of Hyndman and Fan (The American Statistician 50
// (1996) 361) with that number: 6, 7 or 8. Below the first and above the last
// value it stays there.
func NewPercentile(s Sample, p float64, definition int) (Percentile, error) {
	if !(p >= 0 && p <= 1) {
		return Percentile{}, fmt.Errorf("p = %v is not a share between 0 and 1", p)
	}
	if definition < 6 || definition > 8 {
		return Percentile{}, fmt.Errorf("there is no type %d here: 6, 7 or 8", definition)
	}
	x := slices.Sorted(slices.Values(s.values))
	return Percentile{head("percentile"), len(x), Number(p), definition, Number(quantile(x, p, definition))}, nil
}

func quantile(sorted []float64, p float64, definition int) float64 {
	n := float64(len(sorted))
	var rank float64
	switch definition {
	case 6:
		rank = p * (n + 1)
	case 7:
		rank = 1 + p*(n-1)
	default:
		rank = p*(n+1.0/3) + 1.0/3
	}
	rank = min(max(rank, 1), n)
	below := math.Floor(rank)
	i := int(below) - 1
	if i == len(sorted)-1 {
		return sorted[i]
	}
	return sorted[i] + (rank-below)*(sorted[i+1]-sorted[i])
}
