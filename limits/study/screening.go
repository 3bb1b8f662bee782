package study

import (
	"math"
	"slices"
)

// ScreeningOptions say what share of the population a screening limit leaves
// inside, with which confidence where a method has one, and how many robust
// standard deviations from the median the robust one lies.
type ScreeningOptions struct {
	Coverage, Confidence, Multiplier float64
	Sides                            int // 1: the bound stands alone; 2: another one stands on the other side
}

// Screening is one bound that data suggest, by each method. It says what is
// usual, and nothing of what a product needs.
type Screening struct {
	N          int    `json:"n"`
	Median     Number `json:"median"`
	RobustSD   Number `json:"robust_sd"` // 1.4826 times the median distance from the median
	Mean       Number `json:"mean"`
	SD         Number `json:"sd"`
	NormalP    Number `json:"normal_p"`   // Normality; small: not normal
	Robust     Number `json:"robust"`     // median ± Multiplier·RobustSD
	Normal     Number `json:"normal"`     // exact tolerance bound of a normal population
	Free       Number `json:"free"`       // tolerance bound without a distribution
	FreeWants  int    `json:"free_wants"` // values that it takes
	Percentile Number `json:"percentile"` // Coverage itself, type 8: no confidence
}

// Screen works out the bound of a sample on one side; upper says which.
func Screen(s Sample, upper bool, o ScreeningOptions) (Screening, error) {
	t := ToleranceOptions{Coverage: o.Coverage, Confidence: o.Confidence, Sides: o.Sides, Method: "exact"}
	if err := t.check(); err != nil {
		return Screening{}, err
	}
	x := slices.Sorted(slices.Values(s.values))
	out := Screening{N: s.Len(), Mean: Number(s.mean()), SD: Number(s.sd()), Normal: undefined(), Free: undefined()}
	_, out.NormalP = Normality(s)
	median := quantile(x, 0.5, 8)
	away := make([]float64, len(x))
	for i, v := range x {
		away[i] = math.Abs(v - median)
	}
	slices.Sort(away)
	out.Median, out.RobustSD = Number(median), Number(perMAD*quantile(away, 0.5, 8))
	sign, p := 1.0, 1-(1-o.Coverage)/float64(o.Sides)
	if !upper {
		sign, p = -1, 1-p
	}
	out.Robust = out.Median + Number(sign*o.Multiplier)*out.RobustSD
	out.Percentile = Number(quantile(x, p, 8))
	pick := func(t Tolerance) Number {
		if upper {
			return t.Upper
		}
		return t.Lower
	}
	if n, err := SampleTolerance(s, t); err == nil {
		out.Normal = pick(n)
	}
	t.Method = "free"
	out.FreeWants = wanted(t)
	if f, err := SampleTolerance(s, t); err == nil {
		out.Free = pick(f)
	}
	return out, nil
}

// perMAD makes the median distance from the median a standard deviation, for a
// normal population: 1/Φ⁻¹(3/4) (F. R. Hampel, JASA 69 (1974) 383).
const perMAD = 1.482602218505602
