package study

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Sequential is a sequential probability ratio test. After n units the sum of
// what was found (defects, or values) is held against two lines: at or below
// −H1 + Slope·n the first hypothesis is accepted, at or above H2 + Slope·n the
// second, between them the test goes on.
type Sequential struct {
	Head
	H1     Number `json:"h1"`
	H2     Number `json:"h2"`
	Slope  Number `json:"slope"`
	NFixed Number `json:"n_fixed"` // of the test of fixed size with the same risks, not rounded; of shares by the normal approximation
	E0     Number `json:"e0"`      // expected number of units where the first is true
	E1     Number `json:"e1"`      // and where the second is
}

func checkRisks(alpha, beta float64) error {
	if !(alpha > 0 && beta > 0 && alpha+beta < 1) {
		return fmt.Errorf("alpha %v and beta %v: both larger than 0, their sum below 1", alpha, beta)
	}
	return nil
}

// SequentialShare tests a share of p0 against the larger p1. Alpha is the
// risk to say p1 where p0 is true, beta that of the opposite. Source: A. Wald,
// Annals of Mathematical Statistics 16 (1945) 117; e0 and e1 are his
// approximation, which neglects the excess over the lines.
func SequentialShare(p0, p1, alpha, beta float64) (Sequential, error) {
	if err := checkRisks(alpha, beta); err != nil {
		return Sequential{}, err
	}
	if !(p0 > 0 && p0 < p1 && p1 < 1) {
		return Sequential{}, fmt.Errorf("p0 %v and p1 %v: 0 < p0 < p1 < 1", p0, p1)
	}
	up, down := math.Log(p1/p0), math.Log((1-p0)/(1-p1))
	q0, q1 := 1-p0, 1-p1
	fixed := (-distuv.UnitNormal.Quantile(alpha)*math.Sqrt(p0*q0) - distuv.UnitNormal.Quantile(beta)*math.Sqrt(p1*q1)) / (p1 - p0)
	return sequential(alpha, beta, up+down, down/(up+down), fixed*fixed, p0*up-q0*down, p1*up-q1*down), nil
}

// SequentialMean tests a mean of mean0 against the larger mean1 on normal
// values of a known standard deviation.
func SequentialMean(mean0, mean1, sd, alpha, beta float64) (Sequential, error) {
	if err := checkRisks(alpha, beta); err != nil {
		return Sequential{}, err
	}
	if !(mean0 < mean1) {
		return Sequential{}, fmt.Errorf("mean0 %v and mean1 %v: mean0 is the smaller one (turn the sign of the values if it is not)", mean0, mean1)
	}
	if !(sd > 0) {
		return Sequential{}, fmt.Errorf("sd %v is not larger than 0", sd)
	}
	d := (mean1 - mean0) / sd
	fixed := -(distuv.UnitNormal.Quantile(alpha) + distuv.UnitNormal.Quantile(beta)) / d
	return sequential(alpha, beta, d/sd, (mean0+mean1)/2, fixed*fixed, -d*d/2, d*d/2), nil
}

// sequential takes the gain of log likelihood ratio per unit of the sum, and
// its mean per unit tested under either hypothesis.
func sequential(alpha, beta, gain, slope, fixed, mean0, mean1 float64) Sequential {
	accept, reject := math.Log(beta/(1-alpha)), math.Log((1-beta)/alpha)
	return Sequential{head("sequential"), Number(-accept / gain), Number(reject / gain), Number(slope), Number(fixed),
		Number(((1-alpha)*accept + alpha*reject) / mean0), Number((beta*accept + (1-beta)*reject) / mean1)}
}
