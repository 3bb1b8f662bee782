package study

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Process is what a capability index takes of a process.
type Process struct {
	Mean    float64
	Within  float64 // standard deviation of the short term
	Overall float64 // standard deviation of all values
	N       int     // number of values; 0 where not known
}

// d2 of two values, to the three decimals of the handbooks' tables, so that
// limits agree with theirs: mean moving range = d2·sd.
const d2 = 1.128

// Sequence takes the short-term spread from the mean moving range of
// neighbours, over d2.
func Sequence(s Sample) Process {
	return Process{s.mean(), movingRange(s) / d2, s.sd(), s.Len()}
}

// Subgroups takes the short-term spread from within subgroups, one label a
// value: the pooled standard deviation over c4 of its degrees of freedom + 1.
func Subgroups(labels []string, s Sample) Process {
	names, of := groups(labels)
	var squared float64
	for _, x := range split(s.offsets, of, len(names)) {
		squared += squares(x)
	}
	df := s.Len() - len(names)
	return Process{s.mean(), math.Sqrt(ratio(squared, float64(df))) / c4(df+1), s.sd(), s.Len()}
}

// movingRange is the mean distance of neighbours, NaN for one value.
func movingRange(s Sample) float64 {
	r := make([]float64, s.Len())
	for i := 1; i < len(r); i++ {
		r[i] = math.Abs(s.offsets[i] - s.offsets[i-1])
	}
	if len(r) < 2 {
		return math.NaN()
	}
	return mean(r[1:])
}

// c4 is the expected standard deviation of n normal values of unit variance.
func c4(n int) float64 {
	if n < 2 {
		return math.NaN()
	}
	x := float64(n-1) / 2
	if n < 300 {
		return math.Gamma(x+0.5) / math.Gamma(x) / math.Sqrt(x)
	}
	// Γ(x+½)/Γ(x)/√x for large x; the next term is below 1e-13.
	return 1 - 1/(8*x) + 1/(128*x*x) + 5/(1024*x*x*x) - 21/(32768*x*x*x*x)
}

// Bounds is an index with its confidence bounds.
type Bounds struct {
	Value Number `json:"value"`
	Lower Number `json:"lower"`
	Upper Number `json:"upper"`
}

// Capability holds the indices of a process: cp of the short term, pp of all
// values; l and u of one limit, k the smaller of those that exist. They say
// something only of a process that is stable and normal.
type Capability struct {
	Head
	N          *int   `json:"n"` // null where not known
	Mean       Number `json:"mean"`
	SDWithin   Number `json:"sd_within"`
	SDOverall  Number `json:"sd_overall"`
	Confidence Number `json:"confidence"`
	Cp         Bounds `json:"cp"`
	Cpl        Bounds `json:"cpl"`
	Cpu        Bounds `json:"cpu"`
	Cpk        Bounds `json:"cpk"`
	Pp         Bounds `json:"pp"`
	Ppl        Bounds `json:"ppl"`
	Ppu        Bounds `json:"ppu"`
	Ppk        Bounds `json:"ppk"`
}

// Capability works out the indices for the specification limits; NaN is no
// limit. Bounds: cp and pp by chi-square with n − 1 degrees of freedom; the
// others by c ± z·√(1/(9n) + c²/(2(n − 1))), z two-sided for cpk and ppk,
// one-sided for each bound of the indices of one limit (A. F. Bissell, Applied
// Statistics 39 (1990) 331). These last are an approximation for many values:
// of 30, the lower bound stated for 90 % holds in about 88.5 % (TestCoverage).
func (p Process) Capability(low, high, confidence float64) Capability {
	c := Capability{Head: head("capability"), Mean: Number(p.Mean), SDWithin: Number(p.Within), SDOverall: Number(p.Overall), Confidence: Number(confidence)}
	if p.N > 0 {
		c.N = &p.N
	}
	c.Cp, c.Cpl, c.Cpu, c.Cpk = p.indices(p.Within, low, high, confidence)
	c.Pp, c.Ppl, c.Ppu, c.Ppk = p.indices(p.Overall, low, high, confidence)
	return c
}

func (p Process) indices(sd, low, high, confidence float64) (both, lower, upper, least Bounds) {
	cb := ratio(high-low, 6*sd)
	cl, cu := ratio(p.Mean-low, 3*sd), ratio(high-p.Mean, 3*sd)
	ck := cl
	if math.IsNaN(cl) || cu < cl {
		ck = cu
	}
	df := float64(p.N - 1)
	around := func(c, tail float64) Bounds {
		wide := distuv.UnitNormal.Quantile(tail) * math.Sqrt(1/(9*float64(p.N))+c*c/(2*df))
		if p.N < 2 {
			wide = math.NaN()
		}
		return Bounds{Number(c), Number(c - wide), Number(c + wide)}
	}
	both = Bounds{Number(cb), undefined(), undefined()}
	if p.N >= 2 {
		both.Lower = Number(cb * math.Sqrt(chiSquare((1-confidence)/2, df)/df))
		both.Upper = Number(cb * math.Sqrt(chiSquare((1+confidence)/2, df)/df))
	}
	return both, around(cl, confidence), around(cu, confidence), around(ck, (1+confidence)/2)
}

// chiSquare is the quantile of a chi-square with df degrees of freedom.
func chiSquare(p, df float64) float64 { return distuv.ChiSquared{K: df}.Quantile(p) }
