package survey

import (
	"gonum.org/v1/gonum/mat"
)

// quadratic is what data say of the shared numbers near where they are: half
// the second derivative of the log likelihood, with its sign turned, and the
// first.
type quadratic struct{ h, grad []float64 }

func newQuadratic(g int) quadratic {
	return quadratic{make([]float64, g*g), make([]float64, g)}
}

func (q quadratic) add(o quadratic, times float64) {
	for i, v := range o.h {
		q.h[i] += times * v
	}
	for i, v := range o.grad {
		q.grad[i] += times * v
	}
}

// mirror fills the lower triangle from the upper one.
func (q quadratic) mirror() {
	g := len(q.grad)
	for i := range g {
		for j := range i {
			q.h[i*g+j] = q.h[j*g+i]
		}
	}
}

var third = [4]float64{-1, 3, -3, 1}

// smooth adds the penalty: the integral of the squared third derivative of the
// logarithm, time in units of the pulse's sd.
func (f *fit) smooth(q quadratic, lambda float64) {
	g := f.size()
	for i := 0; i+3 < len(f.p.q); i++ {
		d := 0.0
		for a, c := range third {
			d += c * f.p.log[i+a]
		}
		for a, c := range third {
			q.grad[i+a] -= lambda * c * d
			for b, e := range third {
				q.h[(i+a)*g+i+b] += lambda * c * e
			}
		}
	}
}

// system is what a step solves: data, prior and smoothing.
func (f *fit) system(data, prior quadratic, lambda float64) (*mat.Cholesky, quadratic, bool) {
	g := f.size()
	sum := newQuadratic(g)
	sum.add(data, 1)
	sum.add(prior, 1)
	f.smooth(sum, lambda)
	// Far out in its tails the table rests on the smoothing alone.
	for i := range len(f.p.q) {
		sum.h[i*g+i] += 1e-5
	}
	var c mat.Cholesky
	ok := c.Factorize(mat.NewSymDense(g, sum.h))
	return &c, sum, ok
}

func (f *fit) solve(data, prior quadratic, lambda float64) ([]float64, bool) {
	c, sum, ok := f.system(data, prior, lambda)
	if !ok {
		return nil, false
	}
	var d mat.VecDense
	if err := c.SolveVecTo(&d, mat.NewVecDense(len(sum.grad), sum.grad)); err != nil {
		return nil, false
	}
	return d.RawVector().Data, true
}

// without is what all data but a fold's say. The widths of units that are left
// out stay where they are: nothing else would hold the mean of all.
func (f *fit) without(all, fold quadratic, nth int) quadratic {
	g, k := f.size(), len(f.p.q)
	out := newQuadratic(g)
	out.add(all, 1)
	out.add(fold, -1)
	kept := make([]bool, len(f.width))
	for _, t := range f.traces {
		kept[t.unit] = kept[t.unit] || t.fold != nth
	}
	for i, ok := range kept {
		if !ok {
			out.h[(k+i)*g+k+i] += hard
		}
	}
	return out
}

// covariance of the shared numbers: what leaving folds out one by one changes,
// for noise of any kind, and what the smoothing hides.
func (f *fit) covariance() (cov *mat.SymDense, freedom float64, ok bool) {
	g, n := f.size(), len(f.sums)
	all := newQuadratic(g)
	for _, q := range f.sums {
		all.add(q, 1)
	}
	c, sum, ok := f.system(all, f.held, f.lambda)
	if !ok {
		return nil, 0, false
	}
	inverse := mat.NewSymDense(g, nil)
	if err := c.InverseTo(inverse); err != nil {
		return nil, 0, false
	}
	// A⁻¹·(A − H)·A⁻¹ is the smoothing's and the priors' part.
	held := make([]float64, g*g)
	for i := range held {
		held[i] = sum.h[i] - all.h[i]
	}
	rest := mat.NewSymDense(g, held)
	var half, part mat.Dense
	half.Mul(inverse, rest)
	for i := range len(f.p.q) {
		freedom += 1 - half.At(i, i)
	}
	part.Mul(&half, inverse)
	cov = mat.NewSymDense(g, nil)
	for i := range g {
		for j := i; j < g; j++ {
			cov.SetSym(i, j, (part.At(i, j)+part.At(j, i))/2)
		}
	}
	if n < 2 {
		return inverse, freedom, true
	}
	mean := make([]float64, g)
	left := make([]*mat.VecDense, n)
	for i, q := range f.sums {
		less := f.without(all, q, i)
		d, ok := f.solve(less, f.held, f.lambda)
		if !ok {
			return nil, 0, false
		}
		left[i] = mat.NewVecDense(g, d)
		for j, v := range d {
			mean[j] += v / float64(n)
		}
	}
	// The jackknife's variance is a guess from n values: JCGM 101:2008, 6.4.9.4.
	wide := float64(n-1) / float64(n)
	if n > 3 {
		wide *= float64(n-1) / float64(n-3)
	} else {
		wide *= fewFolds
	}
	for _, d := range left {
		d.SubVec(d, mat.NewVecDense(g, mean))
		cov.SymRankOne(cov, wide, d)
	}
	return cov, freedom, true
}

// fewFolds widens the variance from two or three values, where that of JCGM 101
// has no end.
const fewFolds = 10
