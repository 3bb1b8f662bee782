package whatif

import (
	"fmt"
	"math"
	"slices"

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

	answer   Answer
	before   map[key]int
	after    map[int]int // by place
	guards   [guards]guardCount
	first    counts    // first attempts of production
	measured counts    // of those that pass otherwise: with every quantity, and passing
	kept     []scatter // of the quantities without zones
	stride   int       // one row in so many is kept for the scatter
	seen     int

	moving  int                 // place of a limit that is not held against the rows, −1 for none
	effects map[int]limitEffect // by place, of limits that stand; nil: none is remembered

	// Kept from block to block.
	floats, us    []float64
	lo            []float64
	attempt, soft []int64
	sequence      []int64
	name, serial  []string
	nest, outcome []string
	purpose       []string
	best          []int
	absent        []bool
	failing       [guards][]bool
}

// guards is how many guard factors are compared: 0, 1, 2.
const guards = 3

// column is what a limit needs of a row.
type column struct {
	l       *limits.Limit
	highBin int
	lowBin  int
}

type key struct {
	bin  int
	name string
}

type counts struct{ of, passed, unknown int }

type guardCount struct{ first counts }

// New makes a trial of a file.
func New(f *limits.File) (*Trial, error) {
	t := &Trial{file: f, bins: f.Bins, before: map[key]int{}, after: map[int]int{}, stride: 1, moving: -1}
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
	for i := range f.Limits {
		l := &f.Limits[i]
		c := column{l: l, highBin: place(l.HighBin), lowBin: place(l.LowBin)}
		t.columns = append(t.columns, c)
		t.kept = append(t.kept, scatter{limit: l})
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

// Add takes some attempts, those where picked is true; nil picks all.
func (t *Trial) Add(b Rows, picked []bool) error {
	n := b.Rows()
	if picked != nil && !slices.Contains(picked[:n], true) {
		return nil
	}
	if err := t.hold(b, picked); err != nil {
		return err
	}
	for i := range n {
		if picked != nil && !picked[i] {
			continue
		}
		v := verdict{best: t.best[i], absent: t.absent[i]}
		for g := range v.failing {
			v.failing[g] = t.failing[g][i]
		}
		a := t.attemptAt(i)
		if to := t.count(&a, &v); to != a.soft {
			if err := t.changed(i, to, b); err != nil {
				return err
			}
		}
	}
	return nil
}

// hold holds every limit but the one that moves against some attempts.
func (t *Trial) hold(b Rows, picked []bool) error {
	n := b.Rows()
	if err := t.read(b); err != nil {
		return err
	}
	t.best, t.absent = fit(t.best, n), fit(t.absent, n)
	for g := range t.failing {
		t.failing[g] = fit(t.failing[g], n)
	}
	for i := range n {
		t.best[i], t.absent[i] = t.passed, false
		for g := range t.failing {
			t.failing[g][i] = false
		}
	}
	before := t.seen
	for i := range t.columns {
		t.seen = before
		if err := t.judge(b, i, picked); err != nil {
			return err
		}
	}
	t.seen = before
	for i := range n {
		if picked == nil || picked[i] {
			t.seen++
		}
	}
	if t.seen > 2*mostKept*t.stride {
		t.thin()
	}
	return nil
}

// read gets what is needed of every row.
func (t *Trial) read(b Rows) (err error) {
	for _, c := range []struct {
		name string
		into *[]int64
	}{{"attempt", &t.attempt}, {"soft_bin", &t.soft}, {"sequence", &t.sequence}} {
		if *c.into, err = b.Ints(c.name, *c.into); err != nil {
			return err
		}
	}
	for _, c := range []struct {
		name string
		into *[]string
	}{{"soft_bin_name", &t.name}, {"nest", &t.nest}, {"outcome", &t.outcome}, {"purpose", &t.purpose}} {
		if *c.into, err = b.Texts(c.name, *c.into); err != nil {
			return err
		}
	}
	t.serial = t.serial[:0]
	return nil
}

// judge holds one limit against every row.
func (t *Trial) judge(b Rows, at int, picked []bool) (err error) {
	c := &t.columns[at]
	l := c.l
	if !l.Zoned {
		if t.floats, err = b.Floats(string(l.Name), t.floats); err != nil {
			return err
		}
		if t.us, err = b.Floats(string(l.Name)+"_u", t.us); err != nil {
			return err
		}
		for i, v := range t.floats {
			if at != t.moving {
				u := t.us[i]
				if math.IsNaN(u) {
					u = 0
				}
				t.row(c, i, v+l.K*u, v-l.K*u)
				for g := range guards {
					k := float64(g)
					if l.K == 0 {
						k = 0
					}
					t.failing[g][i] = t.failing[g][i] || fails(l, v+k*u, v-k*u)
				}
			}
			if picked == nil || picked[i] {
				if t.seen%t.stride == 0 && !math.IsNaN(v) && !t.stays(i) {
					t.kept[at].add(t.nest[i], v, t.us[i])
				}
				t.seen++
			}
		}
		return nil
	}
	if at == t.moving {
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
	done := -1
	for g := range guards {
		k := float64(g)
		if l.K == 0 {
			k = 0
		}
		if g == 0 || k != 0 {
			if t.floats, err = side(k, true, t.floats); err != nil {
				return err
			}
			if t.lo, err = side(k, false, t.lo); err != nil {
				return err
			}
		}
		for i := range n {
			t.failing[g][i] = t.failing[g][i] || fails(l, t.floats[i], t.lo[i])
		}
		if k == l.K && done < 0 {
			done = g
			for i := range n {
				t.row(c, i, t.floats[i], t.lo[i])
			}
		}
	}
	if done >= 0 {
		return nil
	}
	if t.floats, err = side(l.K, true, t.floats); err != nil {
		return err
	}
	if t.lo, err = side(l.K, false, t.lo); err != nil {
		return err
	}
	for i := range n {
		t.row(c, i, t.floats[i], t.lo[i])
	}
	return nil
}

func fails(l *limits.Limit, high, low float64) bool {
	return l.High != nil && high > *l.High || l.Low != nil && low < *l.Low
}

// row holds one limit against one row.
func (t *Trial) row(c *column, i int, high, low float64) {
	l := c.l
	if math.IsNaN(high) || math.IsNaN(low) {
		if !l.Optional {
			t.absent[i] = true
			t.worse(&t.best[i], t.missing)
		}
		return
	}
	if l.High != nil && high > *l.High {
		t.worse(&t.best[i], c.highBin)
	}
	if l.Low != nil && low < *l.Low {
		t.worse(&t.best[i], c.lowBin)
	}
}

func (t *Trial) worse(best *int, bin int) {
	if *best == t.passed || t.bins[bin].Priority < t.bins[*best].Priority {
		*best = bin
	}
}

// stays says that a row keeps its bin: its limits did not give it.
func (t *Trial) stays(i int) bool {
	a := t.attemptAt(i)
	return a.stays || a.staysIfAbsent && t.absent[i]
}

// attempt is what the counts need of a row.
type attempt struct {
	soft          int
	name          string // of the bin
	stays         bool   // its limits did not give its bin
	staysIfAbsent bool   // or did not, if something was not measured
	first         bool   // of production, with a verdict
	passed        bool
}

func (t *Trial) attemptAt(i int) attempt {
	a := attempt{soft: int(t.soft[i]), name: t.name[i], passed: t.outcome[i] == limits.OutcomePassed}
	failed := t.outcome[i] == limits.OutcomeFailed
	a.stays = !a.passed && (!failed || a.name == limits.NoAnswer || a.name == limits.Label)
	a.staysIfAbsent = failed && a.name == limits.Verify
	a.first = (a.passed || failed) && t.purpose[i] == "production" && t.attempt[i] <= 1
	return a
}

// verdict is what the limits say of a row.
type verdict struct {
	best    int          // place of the bin
	absent  bool         // something was not measured
	failing [guards]bool // with guard factors 0, 1, 2
}

// count counts an attempt, and gives the number of the bin that it goes to.
func (t *Trial) count(a *attempt, v *verdict) (to int) {
	t.answer.Attempts++
	t.before[key{a.soft, a.name}]++
	stays := a.stays || a.staysIfAbsent && v.absent
	if to = a.soft; stays {
		t.after[-1-to]++ // by number: the bin may not be in the file
		t.keepName(to, a.name)
	} else {
		t.after[v.best]++
		to = t.bins[v.best].Number
	}
	if !a.first {
		return to
	}
	t.first.of++
	if a.passed {
		t.first.passed++
	}
	switch {
	case stays:
	case v.best == t.missing:
		t.measured.unknown++
	case v.best == t.passed:
		t.measured.passed++
	}
	for g := range t.guards {
		c := &t.guards[g].first
		c.of++
		switch {
		case stays || v.failing[g]:
		case v.absent:
			c.unknown++
		default:
			c.passed++
		}
	}
	return to
}

func (t *Trial) changed(i, to int, b Rows) (err error) {
	if len(t.serial) == 0 {
		if t.serial, err = b.Texts("serial", t.serial); err != nil {
			return err
		}
	}
	t.answer.Changed = append(t.answer.Changed, Change{Serial: t.serial[i], Attempt: int(t.attempt[i]), From: int(t.soft[i]), To: to,
		FromName: t.name[i], ToName: t.bins[t.best[i]].Name, Sequence: t.sequence[i]})
	return nil
}

func (t *Trial) keepName(bin int, name string) {
	if t.answer.names == nil {
		t.answer.names = map[int]string{}
	}
	t.answer.names[bin] = name
}

func fit[T any](v []T, n int) []T {
	if cap(v) < n {
		return make([]T, n)
	}
	return v[:n]
}
