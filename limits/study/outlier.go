package study

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Outlier says how far one unit stands from a population in several quantities
// at once, and how rare that is among the population's own units.
type Outlier struct {
	Head
	Units      int         `json:"units"` // of the population that have all quantities
	Used       []Departure `json:"used"`  // the largest first
	NoSpread   []string    `json:"no_spread"`
	Unknown    []string    `json:"unknown"`  // that the unit or too much of the population does not have
	TooMany    []string    `json:"too_many"` // left out for want of units: five a quantity
	Distance   Number      `json:"distance"`
	P          Number      `json:"p"`           // share of the population, this unit counted in, that stands as far out
	FalseAlarm Number      `json:"false_alarm"` // share of units like the population that would be told odd
	Odd        bool        `json:"odd"`
	Needs      int         `json:"needs,omitempty"` // units that the false alarm takes, where there are fewer
}

// Departure is one quantity of the unit.
type Departure struct {
	Name   string `json:"name"`
	Value  Number `json:"value"`
	Median Number `json:"median"`
	Sigmas Number `json:"sigmas"` // robust standard deviations from the median
}

const (
	unitsEach  = 5   // a quantity
	mostAbsent = 0.1 // share of the population that may lack a quantity
	clip       = 2.5 // robust standard deviations that a correlation sees
	wholeFolds = 200 // population up to which each unit is left out by itself
	manyFolds  = 20
)

// Neighbours are the units that one is held against.
type Neighbours struct {
	names []string
	all   [][]float64 // rows as given

	rows     [][]float64 // those that have all quantities used
	use      []int
	noSpread []string
	unknown  []string
	tooMany  []string
	whole    *cloud
	own      []float64 // distance of each row, left out itself
}

// NewNeighbours prepares a population: rows of values, one a name; NaN is not
// known. It keeps rows.
//
// The distance is Mahalanobis', with medians, 1.4826 times the median distance from
// them, and correlations of values held within 2.5 of those, drawn towards none by
// quantities over quantities + units.
//
// A quantity without spread is left out, and where there are fewer than five units
// a quantity, those that the others tell most of.
func NewNeighbours(names []string, rows [][]float64) *Neighbours {
	return newNeighbours(names, rows, make([]float64, len(names)))
}

func newNeighbours(names []string, all [][]float64, unit []float64) *Neighbours {
	n := &Neighbours{names: names, all: all}
	for q, name := range names {
		column := make([]float64, 0, len(all))
		for _, row := range all {
			if !math.IsNaN(row[q]) {
				column = append(column, row[q])
			}
		}
		switch {
		case math.IsNaN(unit[q]) || float64(len(column)) < (1-mostAbsent)*float64(len(all)) || len(column) == 0:
			n.unknown = append(n.unknown, name)
		case !(robust(column).sd > 0):
			n.noSpread = append(n.noSpread, name)
		default:
			n.use = append(n.use, q)
		}
	}
	for _, row := range all {
		if !slices.ContainsFunc(n.use, func(q int) bool { return math.IsNaN(row[q]) }) {
			n.rows = append(n.rows, row)
		}
	}
	if most := len(n.rows) / unitsEach; len(n.use) > most {
		kept := telling(n.rows, n.use, most)
		for _, q := range n.use {
			if !slices.Contains(kept, q) {
				n.tooMany = append(n.tooMany, names[q])
			}
		}
		n.use = kept
	}
	if len(n.use) > 0 {
		n.whole, n.own = newCloud(n.rows, n.use), leftOut(n.rows, n.use)
	}
	return n
}

// Hold holds a unit against the population. alarm is the share of units like the
// population's that may be told odd.
//
// The unit's distance is judged against those of the population's own units, each
// from a population without it: the unit is odd where no more than the alarm's
// share of all stand as far. So the false alarm is what it says whatever the
// distribution; a chi-square limit, which takes the population's medians and
// correlations for exact, accuses half of the good units at 40 quantities and 100
// units.
func (n *Neighbours) Hold(unit []float64, alarm float64) (Outlier, error) {
	if len(unit) != len(n.names) || !(alarm > 0 && alarm < 1) {
		return Outlier{}, fmt.Errorf("%d values for %d quantities, false alarm %g", len(unit), len(n.names), alarm)
	}
	if slices.ContainsFunc(n.use, func(q int) bool { return math.IsNaN(unit[q]) }) {
		n = newNeighbours(n.names, n.all, unit)
	}
	list := func(s []string) []string { return append([]string{}, s...) }
	o := Outlier{Head: head("outlier"), Units: len(n.rows), Used: []Departure{}, NoSpread: list(n.noSpread), Unknown: list(n.unknown), TooMany: list(n.tooMany),
		Distance: Number(math.NaN()), P: Number(math.NaN()), FalseAlarm: Number(alarm)}
	if needs := int(math.Ceil(1/alarm - 1 - 1e-9)); o.Units < needs {
		o.Needs = needs
	}
	if len(n.use) == 0 {
		return o, nil
	}
	d, as := n.whole.distance(unit), 1
	for _, own := range n.own {
		if own >= d {
			as++
		}
	}
	o.Distance, o.P = Number(d), Number(float64(as)/float64(o.Units+1))
	o.Odd = float64(o.P) <= alarm
	for i, q := range n.use {
		at := n.whole.at[i]
		o.Used = append(o.Used, Departure{n.names[q], Number(unit[q]), Number(at.median), Number((unit[q] - at.median) / at.sd)})
	}
	slices.SortStableFunc(o.Used, func(a, b Departure) int { return cmp.Compare(math.Abs(float64(b.Sigmas)), math.Abs(float64(a.Sigmas))) })
	return o, nil
}

// place is where a quantity lies and how much it spreads.
type place struct{ median, sd float64 }

// robust is the median, and 1.4826 times the median distance from it; where half
// of all are equal, there is no spread.
func robust(v []float64) place {
	x := slices.Sorted(slices.Values(v))
	m := quantile(x, 0.5, 8)
	for i := range x {
		x[i] = math.Abs(x[i] - m)
	}
	slices.Sort(x)
	return place{m, 1.4826 * quantile(x, 0.5, 8)}
}

// cloud is a population in the quantities used.
type cloud struct {
	use  []int
	at   []place
	chol mat.Cholesky
}

func newCloud(rows [][]float64, use []int) *cloud {
	c := &cloud{use: use}
	column := make([]float64, len(rows))
	for _, q := range use {
		for i, row := range rows {
			column[i] = row[q]
		}
		p := robust(column)
		if !(p.sd > 0) {
			p.sd = math.SmallestNonzeroFloat64 // a fold that lost the spread: any other value is far
		}
		c.at = append(c.at, p)
	}
	c.chol.Factorize(correlations(rows, use, c.at)) // positive: it is drawn towards the identity
	return c
}

// correlations of values held within clip, drawn towards none.
func correlations(rows [][]float64, use []int, at []place) *mat.SymDense {
	d, n := len(use), len(rows)
	z := mat.NewDense(n, d, nil)
	for i, row := range rows {
		for k, q := range use {
			z.Set(i, k, max(-clip, min(clip, (row[q]-at[k].median)/at[k].sd)))
		}
	}
	var r mat.SymDense
	r.SymOuterK(1, z.T())
	size := make([]float64, d)
	for k := range d {
		size[k] = math.Sqrt(r.At(k, k))
	}
	keep := float64(n) / float64(n+d)
	for k := range d {
		for j := k; j < d; j++ {
			v := 1.0
			if j > k {
				v = keep * ratio(r.At(k, j), size[k]*size[j])
				if math.IsNaN(v) {
					v = 0
				}
			}
			r.SetSym(k, j, v)
		}
	}
	return &r
}

func (c *cloud) distance(unit []float64) float64 {
	z, solved := mat.NewVecDense(len(c.use), nil), mat.NewVecDense(len(c.use), nil)
	for k, q := range c.use {
		z.SetVec(k, max(-1e6, min(1e6, (unit[q]-c.at[k].median)/c.at[k].sd)))
	}
	_ = c.chol.SolveVecTo(solved, z) // only tells of bad condition
	return math.Sqrt(mat.Dot(z, solved))
}

// leftOut is the distance of each row from a population without it, and in a
// large one without a twentieth of all.
func leftOut(rows [][]float64, use []int) []float64 {
	folds := len(rows)
	if folds > wholeFolds {
		folds = manyFolds
	}
	out := make([]float64, len(rows))
	rest := make([][]float64, 0, len(rows))
	for f := range folds {
		rest = rest[:0]
		for i, row := range rows {
			if i%folds != f {
				rest = append(rest, row)
			}
		}
		c := newCloud(rest, use)
		for i := f; i < len(rows); i += folds {
			out[i] = c.distance(rows[i])
		}
	}
	return out
}

// telling chooses the quantities that the others tell least of, one after the
// other: a Cholesky decomposition with pivots. Which they are does not depend on
// the unit.
func telling(rows [][]float64, use []int, most int) []int {
	if most == 0 {
		return nil
	}
	at := make([]place, len(use))
	column := make([]float64, len(rows))
	for k, q := range use {
		for i, row := range rows {
			column[i] = row[q]
		}
		if at[k] = robust(column); !(at[k].sd > 0) {
			at[k].sd = 1
		}
	}
	r := correlations(rows, use, at)
	d := len(use)
	left := make([]float64, d)
	for k := range left {
		left[k] = 1
	}
	var factors [][]float64
	var kept []int
	for len(kept) < most {
		best := 0
		for k := range left {
			if left[k] > left[best]+1e-12 {
				best = k
			}
		}
		row := make([]float64, d)
		for k := range d {
			v := r.At(best, k)
			for _, f := range factors {
				v -= f[best] * f[k]
			}
			row[k] = v / math.Sqrt(left[best])
		}
		for k := range left {
			left[k] -= row[k] * row[k]
		}
		left[best] = math.Inf(-1)
		factors = append(factors, row)
		kept = append(kept, use[best])
	}
	slices.Sort(kept)
	return kept
}
