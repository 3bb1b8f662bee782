package study

import "math"

// Line is a straight line by least squares, y = Intercept + Slope·x.
type Line struct {
	Head
	N           int    `json:"n"`
	Intercept   Number `json:"intercept"`
	Slope       Number `json:"slope"`
	InterceptSD Number `json:"intercept_sd"`
	SlopeSD     Number `json:"slope_sd"`
	ResidualSD  Number `json:"residual_sd"` // n − 2 degrees of freedom
	R2          Number `json:"r2"`
}

// FitLine fits y over x, two samples of one length. Where all x are equal
// there is no line.
func FitLine(x, y Sample) Line {
	n := x.Len()
	mx, my := mean(x.offsets), mean(y.offsets)
	dx, dy := make([]float64, n), make([]float64, n)
	for i := range dx {
		dx[i], dy[i] = x.offsets[i]-mx, y.offsets[i]-my
	}
	sxx, syy := sumSquares(dx), sumSquares(dy)
	slope := ratio(sumProducts(dx, dy), sxx)
	left := make([]float64, n)
	for i := range left {
		left[i] = dy[i] - slope*dx[i]
	}
	rest := sumSquares(left)
	sd := math.NaN()
	if n > 2 {
		sd = math.Sqrt(rest / float64(n-2))
	}
	at := x.mean()
	return Line{head("line"), n,
		Number(y.values[0] - slope*x.values[0] + my - slope*mx), Number(slope),
		Number(sd * math.Sqrt(1/float64(n)+ratio(at*at, sxx))), Number(ratio(sd, math.Sqrt(sxx))),
		Number(sd), Number(1 - ratio(rest, syy))}
}
