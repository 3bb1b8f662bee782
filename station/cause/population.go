package cause

import (
	"errors"
	"math"
)

// Population is what the units are like that one is held against.
type Population struct {
	Units   int
	Leakage []float64 // median of each zone, counts per shot
	Signal  []float64

	center, spread vector // medians and robust standard deviations of the findings
}

// ErrFew is returned for fewer units than a median map can be made of.
var ErrFew = errors.New("a population wants five units or more")

// spreadFrom is from how many units their own spread is believed.
const spreadFrom = 20

// NewPopulation makes a population of attempts, one a unit. Those of another
// grid than the first are left out.
func NewPopulation(list []Evidence) (*Population, error) {
	p := &Population{}
	var same []Evidence
	for _, e := range list {
		if len(same) == 0 || e.Rows == same[0].Rows && e.Cols == same[0].Cols {
			same = append(same, e)
		}
	}
	if p.Units = len(same); p.Units < 5 {
		return nil, ErrFew
	}
	p.Leakage = medianMap(same, func(e *Evidence) []float64 { return e.Leakage })
	p.Signal = medianMap(same, func(e *Evidence) []float64 { return e.Signal })
	all := make([][]float64, Findings)
	for i := range same {
		for f, v := range same[i].raw(p) {
			all[f] = append(all[f], v)
		}
	}
	for f, list := range all {
		p.center[f] = median(list)
		p.spread[f] = math.NaN()
		if kept := known(list); len(kept) >= spreadFrom {
			p.spread[f] = deviation(kept)
		}
	}
	return p, nil
}

func known(v []float64) (out []float64) {
	for _, x := range v {
		if !math.IsNaN(x) {
			out = append(out, x)
		}
	}
	return out
}

func medianMap(list []Evidence, of func(*Evidence) []float64) []float64 {
	n := list[0].Rows * list[0].Cols
	out, column := make([]float64, n), make([]float64, 0, len(list))
	for z := range out {
		column = column[:0]
		for i := range list {
			if m := of(&list[i]); len(m) == n {
				column = append(column, m[z])
			}
		}
		out[z] = median(column)
	}
	return out
}

// findings of an attempt, less the population's medians. What the population
// does not know of has none, but for what is 0 in a good unit by itself.
func (p *Population) findings(e *Evidence) vector {
	v := e.raw(p)
	for f := range v {
		if c := p.center[f]; !math.IsNaN(c) || Finding(f) != FrameDrift && Finding(f) != CheckUnits {
			v[f] -= c
		}
	}
	return v
}
