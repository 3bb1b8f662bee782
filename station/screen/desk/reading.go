package desk

import (
	"cmp"
	"context"
	"math"
	"slices"
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/study"
	"example.org/panecal/limits/whatif"
)

// reading is what was read of the log for one choice and one quantity.
type reading struct {
	choice   Choice
	file     *limits.File
	quantity quantity.Definition
	newest   uint64
	moving   *whatif.Moving
	attempts *attempts
	checks   []checkRun
	sorted   []float64 // what was measured, ascending
	guard    float64   // median u of it, 0 if none is stated
}

// checkRun is a check unit in a nest.
type checkRun struct {
	serial, nest string
	list         []study.Timed
}

// sampleSize is from how many records zone values are read.
const sampleSize = 300

// read goes once through the log. file may be nil: that in force.
func read(ctx context.Context, log Log, text string, file *limits.File, n quantity.Name, progress func(done, total int)) (*reading, error) {
	newest, err := log.Newest(ctx)
	if err != nil {
		return nil, err
	}
	choice, err := log.Choose(ctx, text)
	if err != nil {
		return nil, err
	}
	if file == nil || file.Product != choice.Product {
		if file, err = log.InForce(ctx, choice.Product); err != nil {
			return nil, err
		}
	}
	if n == "" {
		n = quantity.OffsetMean
		if len(file.Limits) > 0 {
			n = file.Limits[0].Name
		}
	}
	r := &reading{choice: choice, file: file, newest: newest, attempts: newAttempts()}
	r.quantity, _ = quantity.Lookup(n)
	if r.moving, err = whatif.NewMoving(file, n); err != nil {
		return nil, err
	}
	units, err := log.Scan(ctx, choice, sampleSize, func(b whatif.Rows, picked []bool) error {
		if err := r.moving.Add(b, picked); err != nil {
			return err
		}
		return r.attempts.add(b, picked)
	}, progress)
	if err == nil && r.moving.Refine() {
		_, err = log.Scan(ctx, choice, 0, r.moving.Add, progress)
	}
	if err != nil {
		return nil, err
	}
	r.moving.Sampled(units)
	if err := r.readChecks(ctx, log); err != nil {
		return nil, err
	}
	v, u := r.moving.Values()
	r.sorted, r.guard = sortedFinite(v), 0
	if some := sortedFinite(u); len(some) > 0 {
		r.guard = some[len(some)/2]
	}
	return r, nil
}

// readChecks gathers what check units gave, each in each nest by itself.
func (r *reading) readChecks(ctx context.Context, log Log) error {
	type key struct{ serial, nest string }
	runs := map[key][]study.Timed{}
	var serial, nest []string
	var at []int64
	var v []float64
	err := log.Checks(ctx, r.choice, func(b whatif.Rows, picked []bool) (err error) {
		if !slices.Contains(picked, true) {
			return nil
		}
		if serial, err = b.Texts("serial", serial); err != nil {
			return err
		}
		if nest, err = b.Texts("nest", nest); err != nil {
			return err
		}
		if at, err = b.Ints("time_ns", at); err != nil {
			return err
		}
		if v, err = b.Floats(string(r.quantity.Name), v); err != nil {
			return err
		}
		for i, p := range picked {
			if p && !math.IsNaN(v[i]) && !math.IsInf(v[i], 0) {
				k := key{serial[i], nest[i]}
				runs[k] = append(runs[k], study.Timed{At: time.Unix(0, at[i]), V: v[i]})
			}
		}
		return nil
	})
	for k, list := range runs {
		r.checks = append(r.checks, checkRun{k.serial, k.nest, list})
	}
	slices.SortFunc(r.checks, func(a, b checkRun) int {
		return cmp.Or(cmp.Compare(a.serial, b.serial), cmp.Compare(a.nest, b.nest))
	})
	return err
}

func sortedFinite(v []float64) []float64 {
	out := make([]float64, 0, len(v))
	for _, x := range v {
		if !math.IsNaN(x) && !math.IsInf(x, 0) {
			out = append(out, x)
		}
	}
	slices.Sort(out)
	return out
}
