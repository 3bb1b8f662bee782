package study

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Proportion is a share with a two-sided confidence interval, its tails equal.
type Proportion struct {
	Head
	Count      int    `json:"count"`
	Of         int    `json:"of"`
	Confidence Number `json:"confidence"`
	Method     string `json:"method"`
	Value      Number `json:"value"`
	Lower      Number `json:"lower"`
	Upper      Number `json:"upper"`
}

// NewProportion is for count found among of. The method is exact (C. J.
// Clopper and E. S. Pearson, Biometrika 26 (1934) 404) or wilson (E. B.
// Wilson, JASA 22 (1927) 209).
func NewProportion(count, of int, confidence float64, method string) (Proportion, error) {
	switch {
	case of < 1:
		return Proportion{}, fmt.Errorf("a share of %d is not defined", of)
	case count < 0 || count > of:
		return Proportion{}, fmt.Errorf("the count %d does not lie between 0 and %d", count, of)
	case !(confidence > 0 && confidence < 1):
		return Proportion{}, fmt.Errorf("confidence %v is not between 0 and 1", confidence)
	}
	k, n := float64(count), float64(of)
	p := Proportion{head("proportion"), count, of, Number(confidence), method, Number(k / n), 0, 1}
	tail := (1 - confidence) / 2
	z := distuv.UnitNormal.Quantile(1 - tail)
	wilson := (k + z*z/2 + z*math.Sqrt(k*(n-k)/n+z*z/4)) / (n + z*z)
	switch method {
	case "exact":
		if count > 0 {
			p.Lower = Number(mathext.InvRegIncBeta(k, n-k+1, tail))
		}
		if count < of {
			p.Upper = Number(mathext.InvRegIncBeta(k+1, n-k, 1-tail))
		}
	case "wilson":
		// The product of both bounds is known; a difference would lose digits.
		p.Lower = Number(k * k / (n * (n + z*z)) / wilson)
		if count < of {
			p.Upper = Number(wilson)
		}
	default:
		return Proportion{}, fmt.Errorf("there is no method %q: exact or wilson", method)
	}
	return p, nil
}
