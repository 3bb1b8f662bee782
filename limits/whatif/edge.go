package whatif

import (
	"encoding/binary"
	"math"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
)

// edge is a quantity of a product in an outline.
type edge struct {
	vague     bool // an attempt has some of its numbers and not others: only the columns tell
	high, low [quantity.Guards]float64
	highest   []byte // number of the attempt, 4, and its numbers, 8 each
	lowest    []byte
}

// outlineOf returns the bytes of a quantity, product by product, and its columns
// where it has no zones; absent is told of each attempt in which it was not measured.
func outlineOf(b Rows, d quantity.Definition, products [][]int, absent func(int)) (edges []byte, values [][]float64, err error) {
	highs, lows := numbersOf(d)
	high := make([][]float64, len(highs))
	for i, name := range highs {
		if high[i], err = b.Floats(name, nil); err != nil {
			return nil, nil, err
		}
	}
	low := high
	if d.Zoned {
		low = make([][]float64, len(lows))
		for i, name := range lows {
			if low[i], err = b.Floats(name, nil); err != nil {
				return nil, nil, err
			}
		}
	} else {
		values = high
	}
	for _, of := range products {
		edges = append(edges, edgeOf(d, high, low, of, absent)...)
	}
	return edges, values, nil
}

// edgeOf returns the bytes of a quantity of some attempts.
func edgeOf(d quantity.Definition, high, low [][]float64, of []int, absent func(int)) (edge []byte) {
	vague := byte(0)
	for _, i := range of {
		none, some := 0, 0
		for k := range quantity.Guards {
			for _, x := range []float64{reach(d, high, i, k, true), reach(d, low, i, k, false)} {
				if math.IsNaN(x) {
					none++
				} else {
					some++
				}
			}
		}
		switch {
		case some == 0:
			absent(i)
		case none > 0:
			vague = 1
		}
	}
	le := binary.LittleEndian
	edge = append(edge, vague)
	if vague == 1 {
		return edge
	}
	out, x := make([]bool, len(of)), make([]float64, 0, len(of))
	for _, up := range []bool{true, false} {
		columns, sign := high, 1.0
		if !up {
			columns, sign = low, -1
		}
		clear(out)
		// What k = 0 and k = 3 leave to the rest, k between them does too.
		for _, k := range []int{0, quantity.Guards - 1} {
			x = x[:0]
			for _, i := range of {
				if v := reach(d, columns, i, k, up); !math.IsNaN(v) {
					x = append(x, sign*v)
				}
			}
			if len(x) == 0 {
				continue
			}
			bound := nth(x, len(x)-1-len(x)/furthest)
			for at, i := range of {
				out[at] = out[at] || sign*reach(d, columns, i, k, up) > bound
			}
		}
		count, rest := 0, [quantity.Guards]float64{}
		for k := range rest {
			rest[k] = math.Inf(-1)
		}
		var list []byte
		for at, i := range of {
			if out[at] {
				count++
				list = le.AppendUint32(list, uint32(i))
				for _, c := range columns {
					list = le.AppendUint64(list, math.Float64bits(c[i]))
				}
				continue
			}
			for k := range rest {
				rest[k] = max(rest[k], less(sign*reach(d, columns, i, k, up)))
			}
		}
		edge = le.AppendUint32(edge, uint32(count))
		for _, v := range rest {
			edge = le.AppendUint64(edge, math.Float64bits(sign*v))
		}
		edge = append(edge, list...)
	}
	return edge
}

// less is −∞ for what is not there.
func less(x float64) float64 {
	if math.IsNaN(x) {
		return math.Inf(-1)
	}
	return x
}

// reach is what a side with guard factor k is held against, of an attempt's columns.
func reach(d quantity.Definition, columns [][]float64, i, k int, up bool) float64 {
	if d.Zoned {
		return columns[k][i]
	}
	return against(columns[0][i], columns[1][i], float64(k), up)
}

// against is what a side is held against where there are no zones.
func against(v, u, k float64, up bool) float64 {
	if math.IsNaN(u) {
		u = 0
	}
	if up {
		return v + k*u
	}
	return v - k*u
}

// nth is the value that would stand at a place if x were sorted. It moves values
// about (C. A. R. Hoare, CACM 4 (1961) 321).
func nth(x []float64, at int) float64 {
	lo, hi := 0, len(x)-1
	for lo < hi {
		pivot := x[lo+(hi-lo)/2]
		i, j := lo, hi
		for i <= j {
			for x[i] < pivot {
				i++
			}
			for x[j] > pivot {
				j--
			}
			if i <= j {
				x[i], x[j] = x[j], x[i]
				i++
				j--
			}
		}
		switch {
		case at <= j:
			hi = j
		case at >= i:
			lo = i
		default:
			return x[at]
		}
	}
	return x[at]
}

// within says that the rest of the attempts keeps a limit, with every guard factor
// that is asked for.
func (e *edge) within(l *limits.Limit) bool {
	if e.vague || l.Zoned && l.K != math.Trunc(l.K) {
		return false
	}
	reach := func(bounds *[quantity.Guards]float64, k, sign float64) float64 {
		if k < 0 || k > quantity.Guards-1 {
			return math.Inf(1)
		}
		at := int(k)
		lower := sign * bounds[at]
		if k == float64(at) {
			return lower
		}
		// What is linear in k is not above the chord.
		part, upper := k-float64(at), sign*bounds[at+1]
		x := lower + part*(upper-lower)
		if math.IsInf(lower, -1) && math.IsInf(upper, -1) {
			return lower
		}
		return x + 1e-9*(math.Abs(lower)+math.Abs(upper))
	}
	for _, k := range []float64{l.K, 0, 1, 2} {
		if l.K == 0 {
			k = 0
		}
		if l.High != nil && !(reach(&e.high, k, 1) <= *l.High) || l.Low != nil && !(reach(&e.low, k, -1) <= -*l.Low) {
			return false
		}
	}
	return true
}

// few holds a limit against the attempts that lie furthest out: the rest keeps it.
func (t *Trial) few(h *held, c *column, e *edge) {
	l := c.l
	width := 2
	if l.Zoned {
		width = quantity.Guards
	}
	le := binary.LittleEndian
	side := func(list []byte, up bool, outside func(float64) bool, bin int) {
		var x [quantity.Guards]float64
		for ; len(list) >= 4+8*width; list = list[4+8*width:] {
			for k := range width {
				x[k] = math.Float64frombits(le.Uint64(list[4+8*k:]))
			}
			at := func(k float64) float64 {
				if l.Zoned {
					return x[int(k)]
				}
				return against(x[0], x[1], k, up)
			}
			i := int(le.Uint32(list))
			if i >= len(h.verdicts) {
				continue // the check of the file says that it cannot be
			}
			v := &h.verdicts[i]
			if outside(at(l.K)) {
				t.worse(v, bin)
			}
			for g := range v.failing {
				k := float64(g)
				if l.K == 0 {
					k = 0
				}
				v.failing[g] = v.failing[g] || outside(at(k))
			}
		}
	}
	if l.High != nil {
		side(e.highest, true, func(x float64) bool { return x > *l.High }, c.highBin)
	}
	if l.Low != nil {
		side(e.lowest, false, func(x float64) bool { return x < *l.Low }, c.lowBin)
	}
}
