package whatif

import (
	"encoding/binary"
	"math"
	"slices"
)

// held is some attempts with what the limits say of each.
type held struct {
	groups   []group
	codes    []uint16 // group of each attempt
	verdicts []verdict
	sequence []int64
	serial   []string
	o        *Outline

	high, low []float64 // used from limit to limit
}

// group is attempts that are alike but for what was measured.
type group struct {
	attempt
	nest   string
	number int64   // of the attempt
	base   verdict // of those that no limit fails
	same   bool    // which go to the bin that they had
}

// hold holds every limit but the one that moves against some attempts.
func (t *Trial) hold(b Rows, picked []bool) (*held, error) {
	h := &held{}
	if err := h.group(b); err != nil {
		return nil, err
	}
	for i := range h.groups {
		g := &h.groups[i]
		g.base.best = int16(t.passed)
		for k := range t.columns {
			if c := &t.columns[k]; h.o != nil && k != t.moving && !c.l.Optional && h.o.classes[i].absent>>c.at&1 == 1 {
				g.base.absent = true
				t.worse(&g.base, t.missing)
			}
		}
		g.same = t.goesTo(&g.attempt, g.base) == g.soft
	}
	h.verdicts = make([]verdict, len(h.codes))
	for i, code := range h.codes {
		h.verdicts[i] = h.groups[code].base
	}
	products := h.products(picked)
	for k := range t.columns {
		if k == t.moving {
			continue
		}
		c := &t.columns[k]
		if h.o != nil && c.at >= 0 && !slices.ContainsFunc(products, func(p int) bool { return !h.o.quantities[c.at][p].within(c.l) }) {
			for _, p := range products {
				t.few(h, c, &h.o.quantities[c.at][p])
			}
			continue
		}
		if err := t.all(h, c, b); err != nil {
			return nil, err
		}
	}
	return h, nil
}

// group finds attempts that are alike.
func (h *held) group(b Rows) error {
	if r, ok := b.(outlined); ok {
		h.o = r.o
		h.codes = make([]uint16, r.o.rows)
		for i := range h.codes {
			h.codes[i] = binary.LittleEndian.Uint16(r.o.codes[2*i:])
		}
		for i := range r.o.classes {
			c := &r.o.classes[i]
			h.groups = append(h.groups, group{attempt: attemptOf(c.soft, c.name, c.outcome, c.purpose, c.attempt), nest: c.nest, number: c.attempt})
		}
		return nil
	}
	var number, soft []int64
	var name, nest, outcome, purpose []string
	var err error
	for _, c := range []struct {
		name string
		into *[]int64
	}{{"attempt", &number}, {"soft_bin", &soft}, {"sequence", &h.sequence}} {
		if *c.into, err = b.Ints(c.name, nil); err != nil {
			return err
		}
	}
	for _, c := range []struct {
		name string
		into *[]string
	}{{"soft_bin_name", &name}, {"nest", &nest}, {"outcome", &outcome}, {"purpose", &purpose}} {
		if *c.into, err = b.Texts(c.name, nil); err != nil {
			return err
		}
	}
	known := map[class]uint16{}
	h.codes = make([]uint16, b.Rows())
	for i := range h.codes {
		c := class{soft: soft[i], attempt: number[i], name: name[i], nest: nest[i], outcome: outcome[i], purpose: purpose[i]}
		code, ok := known[c]
		if !ok {
			code = uint16(len(h.groups))
			known[c] = code
			h.groups = append(h.groups, group{attempt: attemptOf(c.soft, c.name, c.outcome, c.purpose, c.attempt), nest: c.nest, number: c.attempt})
		}
		h.codes[i] = code
	}
	return nil
}

// products are those of the attempts that are picked, by their place in the outline.
func (h *held) products(picked []bool) (list []int) {
	if h.o == nil {
		return nil
	}
	some := make([]bool, len(h.groups))
	for i, code := range h.codes {
		if picked == nil || picked[i] {
			some[code] = true
		}
	}
	for p, name := range h.o.products {
		for code, is := range some {
			if is && h.o.classes[code].product == name {
				list = append(list, p)
				break
			}
		}
	}
	return list
}

// names gives serial and sequence of an attempt.
func (h *held) names(b Rows, i int) (serial string, sequence int64, err error) {
	if h.o != nil {
		return h.o.serial(i), h.o.sequence(i), nil
	}
	if h.serial == nil {
		if h.serial, err = b.Texts("serial", nil); err != nil {
			return "", 0, err
		}
	}
	return h.serial[i], h.sequence[i], nil
}

// all holds a limit against the column of every attempt.
func (t *Trial) all(h *held, c *column, b Rows) (err error) {
	l := c.l
	if !l.Zoned {
		if h.high, err = b.Floats(string(l.Name), h.high); err != nil {
			return err
		}
		if h.low, err = b.Floats(string(l.Name)+"_u", h.low); err != nil {
			return err
		}
		for i, x := range h.high {
			u, v := h.low[i], &h.verdicts[i]
			t.held(c, v, against(x, u, l.K, true), against(x, u, l.K, false))
			for g := range v.failing {
				k := float64(g)
				if l.K == 0 {
					k = 0
				}
				v.failing[g] = v.failing[g] || fails(l, against(x, u, k, true), against(x, u, k, false))
			}
		}
		return nil
	}
	n := b.Rows()
	side := func(k float64, high bool, into []float64) ([]float64, error) {
		if open := l.Low == nil; !high && open || high && l.High == nil {
			into = fit(into, n)
			for i := range into {
				into[i] = math.Inf(-1)
				if !high {
					into[i] = math.Inf(1)
				}
			}
			return into, nil
		}
		return b.Floats(Side(l.Name, k, high), into)
	}
	read := func(k float64) error {
		if h.high, err = side(k, true, h.high); err == nil {
			h.low, err = side(k, false, h.low)
		}
		return err
	}
	own := func() {
		for i := range n {
			t.held(c, &h.verdicts[i], h.high[i], h.low[i])
		}
	}
	done := false
	for g := range guards {
		k := float64(g)
		if l.K == 0 {
			k = 0
		}
		if g == 0 || k != 0 {
			if err := read(k); err != nil {
				return err
			}
		}
		for i := range n {
			f := &h.verdicts[i].failing[g]
			*f = *f || fails(l, h.high[i], h.low[i])
		}
		if k == l.K && !done {
			done = true
			own()
		}
	}
	if done {
		return nil
	}
	if err := read(l.K); err != nil {
		return err
	}
	own()
	return nil
}
