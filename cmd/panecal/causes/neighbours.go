package causes

import (
	"context"
	"fmt"
	"math"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/cause"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// neighbours are the attempts that a unit is held against: those of its product
// about the time of its own.
type neighbours struct {
	from, until time.Time
	names       []quantity.Name
	rows        []neighbour
}

// neighbour is one of them.
type neighbour struct {
	serial     string
	generation uint32
	sequence   uint64
	time       time.Time
	nest, lot  string
	station    string
	check      bool // a check unit's
	passed     bool
	values     []float64
}

// about is how long before and after an attempt its neighbours were measured,
// where nobody says another time.
const about = 14 * 24 * time.Hour

// gather reads the neighbours of an attempt: of production, first attempts, other
// units, and the runs of check units.
func gather(ctx context.Context, s *subject, pick store.Filter) (*neighbours, error) {
	n := &neighbours{names: store.AllQuantities()}
	if pick.Since.IsZero() && pick.Until.IsZero() {
		pick.Since, pick.Until = s.entry.Time.Add(-about), s.entry.Time.Add(about)
	}
	pick.Product = s.attempt.Run.Identity.Product
	if p := s.attempt.Run.Product.Name; p != "" {
		pick.Product = p
	}
	n.from, n.until = pick.Since, pick.Until
	wanted := make([]quantity.Definition, 0, len(n.names))
	for _, name := range n.names {
		d, _ := quantity.Lookup(name)
		wanted = append(wanted, d)
	}
	purpose := pick.Purpose
	if purpose == "" {
		purpose = record.Production
	}
	first, outcome := pick.First, pick.Outcome
	pick.Purpose, pick.First, pick.Outcome = "", false, "" // check units run many times
	err := s.log.Attempts(pick, n.names, func(r *store.Row) error {
		check := r.Purpose == record.CheckUnit
		if len(n.rows)%4096 == 0 && ctx.Err() != nil {
			return context.Cause(ctx)
		}
		if r.Serial == s.serial || !check && (r.Purpose != purpose || first && r.AttemptNo > 1 || outcome != "" && r.Outcome != outcome) {
			return nil
		}
		v := neighbour{serial: r.Serial, generation: r.Generation, sequence: r.Sequence, time: r.Time, nest: r.Nest, lot: r.Lot, station: r.Station, check: check, passed: r.Outcome == record.Passed,
			values: make([]float64, len(wanted))}
		for i, d := range wanted {
			v.values[i] = r.Quantities[d.Column]
		}
		n.rows = append(n.rows, v)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("reading the population: %w", err)
	}
	return n, nil
}

// units are the neighbours that are no check units.
func (n *neighbours) units(in func(*neighbour) bool) []*neighbour {
	var out []*neighbour
	for i := range n.rows {
		if r := &n.rows[i]; !r.check && (in == nil || in(r)) {
			out = append(out, r)
		}
	}
	return out
}

// column is what units have of a quantity.
func column(list []*neighbour, q int) []float64 {
	out := make([]float64, 0, len(list))
	for _, r := range list {
		if !math.IsNaN(r.values[q]) {
			out = append(out, r.values[q])
		}
	}
	return out
}

// spreadOut takes so many of a list, evenly.
func spreadOut[T any](list []T, most int) []T {
	if len(list) <= most {
		return list
	}
	out := make([]T, 0, most)
	for i := range most {
		out = append(out, list[i*len(list)/most])
	}
	return out
}

// good are the units that passed: what is wrong with the others is no measure.
func (n *neighbours) good() []*neighbour {
	return n.units(func(r *neighbour) bool { return r.passed })
}

// evidences reads what so many of the good units measured, zone by zone.
func (n *neighbours) evidences(ctx context.Context, log *store.Follower, most int) ([]cause.Evidence, error) {
	var out []cause.Evidence
	for _, r := range spreadOut(n.good(), most) {
		if err := ctx.Err(); err != nil {
			return nil, context.Cause(ctx)
		}
		e, err := log.At(r.generation, r.sequence)
		if err != nil {
			return nil, fmt.Errorf("reading the population: %w", err)
		}
		if a, ok := e.Body.(*record.Attempt); ok && len(a.Zones.Leakage) > 0 {
			out = append(out, evidenceOf(a.Zones, a.Set()))
		}
	}
	return out, nil
}

// checks is by how much the check units read too far in a nest on the day of an
// attempt, against their own median in all of the time, mm; NaN where there are
// none.
func (n *neighbours) checks(nest string, at time.Time) float64 {
	q := -1
	for i, name := range n.names {
		if name == quantity.OffsetMean {
			q = i
		}
	}
	if q < 0 {
		return math.NaN()
	}
	own := map[string][]float64{}
	for i := range n.rows {
		if r := &n.rows[i]; r.check && !math.IsNaN(r.values[q]) {
			own[r.serial] = append(own[r.serial], r.values[q])
		}
	}
	sum, count := 0.0, 0
	for i := range n.rows {
		r := &n.rows[i]
		if r.check && r.nest == nest && r.time.UTC().YearDay() == at.UTC().YearDay() && r.time.UTC().Year() == at.UTC().Year() && len(own[r.serial]) >= leastChecks && !math.IsNaN(r.values[q]) {
			sum += r.values[q] - medianOf(own[r.serial])
			count++
		}
	}
	if count == 0 {
		return math.NaN()
	}
	return sum / float64(count)
}

// leastChecks is from how many runs a check unit's own median is believed.
const leastChecks = 5
