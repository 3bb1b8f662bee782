package whatif

import (
	"fmt"
	"math"
	"slices"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
)

// NewBin is the bin of a limit that its file has not.
const NewBin = "new_limit"

// Moving is a trial whose one limit moves. What the other limits say of each
// attempt is remembered, and so is what the moving one is held against, so that
// [Moving.Move] reads nothing. It holds 60 to 130 bytes an attempt.
type Moving struct {
	trial  *Trial
	limit  *limits.Limit // of the trial's own copy of the file
	inFile bool
	sample []Unit

	rows   []movingRow
	serial []string
	names  []string // of bins
	place  map[string]int

	v, u     []float64 // value and u; of the zone that matters most, where there are zones
	highest  [quantity.Guards][]float64
	smallest [quantity.Guards][]float64

	buf []float64 // used from block to block
}

// movingRow is what counts need of an attempt, and what the other limits say.
type movingRow struct {
	sequence int64
	soft     int32
	number   uint32 // of the attempt
	best     uint16
	name     uint16
	said     said
}

type said uint16

const (
	saidStays said = 1 << iota
	saidStaysIfAbsent
	saidFirst
	saidPassed
	saidAbsent
	saidFailing // and the next two, for guard factors 0, 1, 2
)

// NewMoving makes a trial of a file in which the limit of a quantity moves. The
// file may have none; then it begins with both sides open, and what is outside
// goes to the bin NewBin. An error says that a guard factor of the file wants
// zone values, which this has not: use [New].
func NewMoving(f *limits.File, n quantity.Name) (*Moving, error) {
	d, ok := quantity.Lookup(n)
	if !ok {
		return nil, fmt.Errorf("%q is no quantity", n)
	}
	own := *f
	own.Limits = slices.Clone(f.Limits)
	m := &Moving{place: map[string]int{}}
	at := slices.IndexFunc(own.Limits, func(l limits.Limit) bool { return l.Name == n })
	m.inFile = at >= 0
	if !m.inFile {
		at = len(own.Limits)
		own.Limits = append(own.Limits, limits.Limit{Definition: d, Optional: true})
		number := 1
		for _, b := range own.Bins {
			number = max(number, b.Number+1)
		}
		own.Bins = append(slices.Clone(own.Bins), limits.Bin{Name: NewBin, Number: number, Outcome: limits.OutcomeFailed, Priority: math.MinInt})
	}
	for _, name := range Whole(&own) {
		if name != n {
			return nil, fmt.Errorf("the guard factor of %s is in no column: only `panecal limits try`, which reads every record, can tell", name)
		}
	}
	trial, err := New(&own)
	if err != nil {
		return nil, err
	}
	trial.moving, trial.effects = at, map[int]limitEffect{}
	m.trial, m.limit = trial, &own.Limits[at]
	if m.limit.K = math.Round(m.limit.K); m.limit.K < 0 || m.limit.K >= quantity.Guards {
		m.limit.K = quantity.Guards - 1
	}
	return m, nil
}

// Limit is the limit as it stands.
func (m *Moving) Limit() limits.Limit { return *m.limit }

// InFile says whether the file has a limit of the quantity.
func (m *Moving) InFile() bool { return m.inFile }

// Values is what was found, NaN where it was not measured, attempt by attempt, and
// its u. They must not be changed.
func (m *Moving) Values() (v, u []float64) { return m.v, m.u }

// Len is how many attempts there are.
func (m *Moving) Len() int { return len(m.rows) }

// Sampled takes the zone values of a sample of the attempts.
func (m *Moving) Sampled(units []Unit) {
	m.sample = units
	clear(m.trial.effects)
}

// Refine says what [Trial.Refine] does.
func (m *Moving) Refine() bool { return m.trial.Refine() }

// Add takes some attempts, those where picked is true; nil picks all.
func (m *Moving) Add(b Rows, picked []bool) error {
	t, n := m.trial, b.Rows()
	if picked != nil && !slices.Contains(picked[:n], true) {
		return nil
	}
	h, err := t.hold(b, picked)
	if err != nil {
		return err
	}
	d, err := t.draw(h, b, picked)
	if err != nil {
		return err
	}
	t.keep(&d)
	if t.refining.Load() {
		return nil
	}
	for i := range n {
		if picked != nil && !picked[i] {
			continue
		}
		g, v := &h.groups[h.codes[i]], &h.verdicts[i]
		serial, sequence, err := h.names(b, i)
		if err != nil {
			return err
		}
		r := movingRow{sequence: sequence, soft: int32(g.soft), number: uint32(g.number), best: uint16(v.best), name: m.nameOf(g.name)}
		for _, s := range []struct {
			is  bool
			bit said
		}{{g.stays, saidStays}, {g.staysIfAbsent, saidStaysIfAbsent}, {g.first, saidFirst}, {g.passed, saidPassed}, {v.absent, saidAbsent},
			{v.failing[0], saidFailing}, {v.failing[1], saidFailing << 1}, {v.failing[2], saidFailing << 2}} {
			if s.is {
				r.said |= s.bit
			}
		}
		m.rows, m.serial = append(m.rows, r), append(m.serial, serial)
	}
	take := func(name string, into *[]float64) error {
		if m.buf, err = b.Floats(name, m.buf); err != nil {
			return err
		}
		for i, v := range m.buf {
			if picked == nil || picked[i] {
				*into = append(*into, v)
			}
		}
		return nil
	}
	name := m.limit.Name
	if err := take(string(name), &m.v); err != nil {
		return err
	}
	if err := take(string(name)+"_u", &m.u); err != nil {
		return err
	}
	if !m.limit.Zoned {
		return nil
	}
	for k := range quantity.Guards {
		if err := take(Side(name, float64(k), true), &m.highest[k]); err != nil {
			return err
		}
		if err := take(Side(name, float64(k), false), &m.smallest[k]); err != nil {
			return err
		}
	}
	return nil
}

func (m *Moving) nameOf(bin string) uint16 {
	n, ok := m.place[bin]
	if !ok {
		n = len(m.names)
		m.place[bin] = n
		m.names = append(m.names, bin)
	}
	return uint16(n)
}

// Move says what the attempts would have come to with other sides, nil for an
// open one, and another guard factor, which is 0 to 3. It is what a [Trial] of a
// file with that limit says. The lists of the answer are of use until the next
// call.
func (m *Moving) Move(low, high *float64, k int) (Answer, error) {
	if k < 0 || k >= quantity.Guards {
		return Answer{}, fmt.Errorf("guard factor %d: it is 0 to %d", k, quantity.Guards-1)
	}
	t, l := m.trial, m.limit
	l.Low, l.High, l.K = low, high, float64(k)
	if !m.inFile {
		l.Optional = low == nil && high == nil
	}
	c := t.columns[t.moving]
	last := len(t.bins) - 1
	for _, bin := range []*int{&c.highBin, &c.lowBin} {
		if *bin < 0 { // a side that was open: what the other gives
			*bin = max(c.highBin, c.lowBin)
		}
		if *bin < 0 {
			*bin = last
		}
	}
	t.changes, t.tally = t.changes[:0], newTally()
	for i := range m.rows {
		r := &m.rows[i]
		v := verdict{best: int16(r.best), absent: r.said&saidAbsent != 0}
		for g := range v.failing {
			v.failing[g] = r.said&(saidFailing<<g) != 0
		}
		m.held(&c, i, &v)
		a := attempt{soft: int(r.soft), name: m.names[r.name], stays: r.said&saidStays != 0, staysIfAbsent: r.said&saidStaysIfAbsent != 0,
			first: r.said&saidFirst != 0, passed: r.said&saidPassed != 0}
		t.count(&t.tally, &a, v, 1)
		if to := t.goesTo(&a, v); to != a.soft {
			t.changes = append(t.changes, Change{Serial: m.serial[i], Attempt: int(r.number), From: a.soft, To: to,
				FromName: a.name, ToName: t.bins[v.best].Name, Sequence: r.sequence})
		}
	}
	return t.Answer(m.sample)
}

// held holds the moving limit against an attempt.
func (m *Moving) held(c *column, i int, v *verdict) {
	l := m.limit
	high, low := m.sides(i, l.K)
	m.trial.held(c, v, high, low)
	if math.IsNaN(high) || math.IsNaN(low) {
		return
	}
	for g := range v.failing {
		k := float64(g)
		if l.K == 0 {
			k = 0
		}
		high, low := m.sides(i, k)
		v.failing[g] = v.failing[g] || fails(l, high, low)
	}
}

// sides is what the two sides are held against.
func (m *Moving) sides(i int, k float64) (high, low float64) {
	if m.limit.Zoned {
		high, low = m.highest[int(k)][i], m.smallest[int(k)][i]
		if m.limit.High == nil {
			high = math.Inf(-1)
		}
		if m.limit.Low == nil {
			low = math.Inf(1)
		}
		return high, low
	}
	return against(m.v[i], m.u[i], k, true), against(m.v[i], m.u[i], k, false)
}
