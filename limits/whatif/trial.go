package whatif

import (
	"fmt"
	"math"
	"slices"
	"sync/atomic"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
)

// Rows is some attempts, column by column: "sequence", "attempt", "soft_bin",
// "soft_bin_name", "serial", "nest", "outcome", "purpose", and of each quantity
// NAME, NAME_u and, for one a zone, NAME_high0 to NAME_high3, NAME_low0 to
// NAME_low3. Each call may use the slice that it is given; what
// it returns is the caller's.
type Rows interface {
	Rows() int
	Floats(name string, into []float64) ([]float64, error)
	Ints(name string, into []int64) ([]int64, error)
	Texts(name string, into []string) ([]string, error)
}

// Trial holds a limits file against attempts.
type Trial struct {
	file    *limits.File
	bins    []limits.Bin // of the file, by place
	passed  int          // place of the bin
	missing int
	columns []column

	tally
	changes []Change

	// The scatter is taken from the attempts of some rank and higher.
	kept     []scatter // of the quantities without zones
	rank     atomic.Int64
	ranked   [ranks]int  // attempts by rank
	coarse   bool        // outlines gave none of lower rank than theirs
	refining atomic.Bool // only the scatter is wanted, from the columns

	moving  int                 // place of a limit that is not held against the rows, −1 for none
	effects map[int]limitEffect // by place, of limits that stand; nil: none is remembered
}

// guards is how many guard factors are compared: 0, 1, 2.
const guards = 3

// column is what a limit needs of a row.
type column struct {
	l       *limits.Limit
	at      int // place of the quantity in quantity.All
	highBin int
	lowBin  int
}

// New makes a trial of a file.
func New(f *limits.File) (*Trial, error) {
	t := &Trial{file: f, bins: f.Bins, tally: newTally(), moving: -1}
	place := func(b *limits.Bin) int {
		if b == nil {
			return -1
		}
		return slices.IndexFunc(f.Bins, func(c limits.Bin) bool { return c.Name == b.Name })
	}
	at := func(name string) int {
		return slices.IndexFunc(f.Bins, func(c limits.Bin) bool { return c.Name == name })
	}
	t.passed, t.missing = at(limits.Passed), at(limits.NotMeasured)
	if t.passed < 0 || t.missing < 0 {
		return nil, fmt.Errorf("the limits of %s have no bin for units that passed", f.Product)
	}
	all := quantity.All()
	for i := range f.Limits {
		l := &f.Limits[i]
		c := column{l: l, highBin: place(l.HighBin), lowBin: place(l.LowBin)}
		c.at = slices.IndexFunc(all, func(d quantity.Definition) bool { return d.Name == l.Name })
		t.columns = append(t.columns, c)
		t.kept = append(t.kept, scatter{})
	}
	return t, nil
}

// Side names the column of a zoned quantity that a side is held against. For a
// guard factor that rows do not keep, Rows must make it of the zone values.
func Side(n quantity.Name, k float64, high bool) string {
	if high {
		return fmt.Sprintf("%s_high%g", n, k)
	}
	return fmt.Sprintf("%s_low%g", n, k)
}

// Whole says for which quantities rows do not know the file's guard factor, so
// that zone values are needed.
func Whole(f *limits.File) []quantity.Name {
	var names []quantity.Name
	for i := range f.Limits {
		l := &f.Limits[i]
		if l.Zoned && (l.K != math.Trunc(l.K) || l.K < 0 || l.K >= quantity.Guards) {
			names = append(names, l.Name)
		}
	}
	return names
}

// Part is some attempts judged, for [Trial.Take].
type Part struct {
	tally
	changes []Change
	drawn   drawn
}

// Add takes some attempts, those where picked is true; nil picks all.
func (t *Trial) Add(b Rows, picked []bool) error {
	p, err := t.Judge(b, picked)
	if err == nil {
		t.Take(p)
	}
	return err
}

// Judge holds the file against some attempts, those where picked is true; nil picks
// all. Several calls may run at a time, also beside Take.
func (t *Trial) Judge(b Rows, picked []bool) (*Part, error) {
	if picked != nil && !slices.Contains(picked[:b.Rows()], true) {
		return &Part{}, nil
	}
	j, err := t.hold(b, picked)
	if err != nil {
		return nil, err
	}
	p := &Part{}
	if p.drawn, err = t.draw(j, b, picked); err != nil || t.refining.Load() {
		return p, err
	}
	p.tally = newTally()
	type loud struct {
		code uint16
		v    verdict
	}
	quiet, others := make([]int, len(j.groups)), map[loud]int{} // those that their group speaks for
	for i, v := range j.verdicts {
		if picked != nil && !picked[i] {
			continue
		}
		code := j.codes[i]
		g := &j.groups[code]
		if v == g.base && g.same {
			quiet[code]++
			continue
		}
		others[loud{code, v}]++
		to := t.goesTo(&g.attempt, v)
		if to == g.soft {
			continue
		}
		serial, sequence, err := j.names(b, i)
		if err != nil {
			return nil, err
		}
		p.changes = append(p.changes, Change{Serial: serial, Attempt: int(g.number), From: g.soft, To: to,
			FromName: g.name, ToName: t.bins[v.best].Name, Sequence: sequence})
	}
	for code, n := range quiet {
		if g := &j.groups[code]; n > 0 {
			t.count(&p.tally, &g.attempt, g.base, n)
		}
	}
	for l, n := range others {
		t.count(&p.tally, &j.groups[l.code].attempt, l.v, n)
	}
	return p, nil
}

// Take counts attempts that were judged, in the order of the log.
func (t *Trial) Take(p *Part) {
	t.tally.plus(&p.tally)
	t.changes = append(t.changes, p.changes...)
	t.keep(&p.drawn)
}

// Refine says, once all attempts were taken, that they have to be given once more:
// outlines have too few of them for the scatter. What they said stands.
func (t *Trial) Refine() bool {
	if !t.coarse || t.rank.Load() >= sampleRank {
		return false
	}
	t.coarse, t.ranked = false, [ranks]int{}
	for i := range t.kept {
		t.kept[i].nests = nil
	}
	t.refining.Store(true)
	return true
}

// worse gives an attempt a bin, unless it has one that comes before.
func (t *Trial) worse(v *verdict, bin int) {
	if int(v.best) == t.passed || t.bins[bin].Priority < t.bins[v.best].Priority {
		v.best = int16(bin)
	}
}

func fails(l *limits.Limit, high, low float64) bool {
	return l.High != nil && high > *l.High || l.Low != nil && low < *l.Low
}

// held holds one limit against one attempt, with its own guard factor.
func (t *Trial) held(c *column, v *verdict, high, low float64) {
	l := c.l
	if math.IsNaN(high) || math.IsNaN(low) {
		if !l.Optional {
			v.absent = true
			t.worse(v, t.missing)
		}
		return
	}
	if l.High != nil && high > *l.High {
		t.worse(v, c.highBin)
	}
	if l.Low != nil && low < *l.Low {
		t.worse(v, c.lowBin)
	}
}

func fit[T any](v []T, n int) []T {
	if cap(v) < n {
		return make([]T, n)
	}
	return v[:n]
}
