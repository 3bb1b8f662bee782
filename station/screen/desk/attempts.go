package desk

import (
	"slices"
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/limits/whatif"
)

// Groupings are the columns that attempts are told apart by.
func Groupings() []string {
	return []string{"nest", "lot", "window_lot", "gasket_lot", "emitter_lot", "operator", "order", "firmware", "limits_rev"}
}

// attempts is what pages count by, packed: 30 bytes an attempt.
type attempts struct {
	time  []int64 // ns since 1970
	flags []uint8
	bin   []uint16
	bins  []binName
	group [][]uint16 // by grouping
	names [][]string
	code  []map[string]uint16

	ints  []int64
	texts []string
}

const (
	isFirst = 1 << iota // first attempt in production, with a verdict
	isPassed
)

type binName struct {
	number int
	name   string
}

func newAttempts() *attempts {
	n := len(Groupings())
	a := &attempts{group: make([][]uint16, n), names: make([][]string, n), code: make([]map[string]uint16, n)}
	for i := range a.code {
		a.code[i] = map[string]uint16{}
	}
	return a
}

// add takes some attempts.
func (a *attempts) add(b whatif.Rows, picked []bool) error {
	if !slices.Contains(picked, true) {
		return nil
	}
	ints := func(name string, take func(i int, v int64)) (err error) {
		if a.ints, err = b.Ints(name, a.ints); err == nil {
			for i, v := range a.ints {
				take(i, v)
			}
		}
		return err
	}
	texts := func(name string, take func(i int, v string)) (err error) {
		if a.texts, err = b.Texts(name, a.texts); err == nil {
			for i, v := range a.texts {
				take(i, v)
			}
		}
		return err
	}
	n := b.Rows()
	first, passed, number := make([]bool, n), make([]bool, n), make([]int64, n)
	verdict := make([]bool, n)
	known := map[binName]uint16{}
	for i, k := range a.bins {
		known[k] = uint16(i)
	}
	steps := []func() error{
		func() error { return ints("attempt", func(i int, v int64) { first[i] = v <= 1 }) },
		func() error { return ints("soft_bin", func(i int, v int64) { number[i] = v }) },
		func() error {
			return texts("outcome", func(i int, v string) {
				passed[i], verdict[i] = v == limits.OutcomePassed, v == limits.OutcomePassed || v == limits.OutcomeFailed
			})
		},
		func() error {
			return texts("purpose", func(i int, v string) { first[i] = first[i] && verdict[i] && v == "production" })
		},
		func() error {
			return texts("soft_bin_name", func(i int, v string) {
				if !picked[i] {
					return
				}
				k := binName{int(number[i]), v}
				at, ok := known[k]
				if !ok {
					at = uint16(len(a.bins))
					known[k] = at
					a.bins = append(a.bins, k)
				}
				a.bin = append(a.bin, at)
				flags := uint8(0)
				if first[i] {
					flags |= isFirst
				}
				if passed[i] {
					flags |= isPassed
				}
				a.flags = append(a.flags, flags)
			})
		},
		func() error {
			return ints("time_ns", func(i int, v int64) {
				if picked[i] {
					a.time = append(a.time, v)
				}
			})
		},
	}
	for g, name := range Groupings() {
		steps = append(steps, func() error {
			return texts(name, func(i int, v string) {
				if !picked[i] {
					return
				}
				at, ok := a.code[g][v]
				if !ok {
					at = uint16(len(a.names[g]))
					a.code[g][v] = at
					a.names[g] = append(a.names[g], v)
				}
				a.group[g] = append(a.group[g], at)
			})
		})
	}
	for _, step := range steps {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}

func (a *attempts) len() int { return len(a.time) }

// span is the first and the last day, and how many days there are.
func (a *attempts) span(where *time.Location) (first, last time.Time) {
	if a.len() == 0 {
		return first, last
	}
	day := func(ns int64) time.Time {
		y, m, d := time.Unix(0, ns).In(where).Date()
		return time.Date(y, m, d, 0, 0, 0, 0, where)
	}
	return day(slices.Min(a.time)), day(slices.Max(a.time))
}

// tally is first attempts in production, those that passed, and all attempts.
type tally struct{ first, passed, all int }

func (t *tally) add(flags uint8) {
	t.all++
	if flags&isFirst != 0 {
		t.first++
		if flags&isPassed != 0 {
			t.passed++
		}
	}
}

// by counts attempts in buckets; of gives each a bucket, −1 for none.
func (a *attempts) by(n int, of func(i int) int) []tally {
	out := make([]tally, n)
	for i, flags := range a.flags {
		if k := of(i); k >= 0 && k < n {
			out[k].add(flags)
		}
	}
	return out
}
