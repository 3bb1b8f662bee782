package study

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// ANOVA is a one-way analysis of variance.
type ANOVA struct {
	Head
	N          int    `json:"n"`
	Groups     int    `json:"groups"`
	DFBetween  int    `json:"df_between"`
	DFWithin   int    `json:"df_within"`
	SSBetween  Number `json:"ss_between"`
	SSWithin   Number `json:"ss_within"`
	MSBetween  Number `json:"ms_between"`
	MSWithin   Number `json:"ms_within"`
	F          Number `json:"f"`
	P          Number `json:"p"` // chance of an F at least as large where all groups are alike
	R2         Number `json:"r2"`
	ResidualSD Number `json:"residual_sd"`
}

// OneWay compares the groups that labels, one a value, make of a sample. The
// groups need not be of one size.
func OneWay(labels []string, s Sample) ANOVA {
	names, of := groups(labels)
	all := mean(s.offsets)
	var between, within, total []float64
	for _, x := range split(s.offsets, of, len(names)) {
		m := mean(x)
		between = append(between, math.Sqrt(float64(len(x)))*(m-all))
		for _, v := range x {
			within, total = append(within, v-m), append(total, v-all)
		}
	}
	a := ANOVA{Head: head("anova"), N: s.Len(), Groups: len(names), DFBetween: len(names) - 1, DFWithin: s.Len() - len(names)}
	ssb, ssw := sumSquares(between), sumSquares(within)
	msb, msw := ratio(ssb, float64(a.DFBetween)), ratio(ssw, float64(a.DFWithin))
	f := ratio(msb, msw)
	a.SSBetween, a.SSWithin, a.MSBetween, a.MSWithin, a.F = Number(ssb), Number(ssw), Number(msb), Number(msw), Number(f)
	a.P = Number(fTail(f, a.DFBetween, a.DFWithin))
	a.R2 = Number(ratio(ssb, sumSquares(total)))
	a.ResidualSD = Number(math.Sqrt(msw))
	return a
}

// fTail is the chance of an F ratio of at least f, from the tail itself: one
// less the distribution function has no digits left where it matters.
func fTail(f float64, d1, d2 int) float64 {
	if math.IsNaN(f) || d1 < 1 || d2 < 1 {
		return math.NaN()
	}
	a, b := float64(d1), float64(d2)
	return mathext.RegIncBeta(b/2, a/2, b/(b+a*f))
}
