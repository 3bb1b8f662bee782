package causes

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"

	"example.org/panecal/station/cause"
)

// Units of a world are numbered; these are where the parts begin.
const (
	firstUsual   = 2_000_000
	firstFaulty  = 3_000_000
	firstHealthy = 4_000_000
)

// usualUnits is how many healthy units make the population that a trial is held
// against.
const usualUnits = 60

// call is one simulated unit with what was said of it.
type call struct {
	truth   fault
	unit    uint64
	fails   bool // the sample limits, or its captures are bad
	e       cause.Evidence
	ranking cause.Ranking
	tried   bool // the experiment was carried out
	back    bool // and the unit came back by it
	clear   bool // and something was there to go by
}

func (c *call) top() cause.Ranked { return c.ranking.Causes[0] }
func (c *call) right() bool       { return c.top().Code == c.truth.code }

// trial tries the ranking on simulated units that the table has not seen, of
// another world.
type trial struct {
	b     *bench
	table *cause.Table
	usual *cause.Population
	calls []call
}

func newTrial(ctx context.Context, table *cause.Table, w *world, usual int) (*trial, error) {
	t := &trial{table: table}
	var err error
	if t.b, err = newBench(w); err != nil {
		return nil, err
	}
	var list []cause.Evidence
	for n := range usual {
		e, _, err := t.b.measure(ctx, firstUsual+uint64(n), 0, fault{code: cause.None})
		if err != nil {
			return nil, err
		}
		list = append(list, e)
	}
	t.usual, err = cause.NewPopulation(list)
	return t, err
}

// run measures so many faulty units, of all causes in turn, and so many healthy
// ones, and carries out the experiments that are named.
func (t *trial) run(ctx context.Context, faulty, healthy int, told func(done, of int)) error {
	faults := slices.DeleteFunc(cause.Codes(), func(c cause.Code) bool { return c == cause.None })
	for n := range faulty + healthy {
		c := call{unit: firstFaulty + uint64(n), truth: fault{code: cause.None, left: 1}}
		if n < faulty {
			c.truth = drawAt(faults[n%len(faults)], c.unit, t.b.world.seed)
		} else {
			c.unit = firstHealthy + uint64(n-faulty)
		}
		var err error
		if c.e, c.fails, err = t.b.measure(ctx, c.unit, 0, c.truth); err != nil {
			return fmt.Errorf("simulated unit %d: %w", c.unit, err)
		}
		c.ranking = cause.Rank(&c.e, nil, t.usual, t.table)
		if err := t.experiment(ctx, &c); err != nil {
			return err
		}
		t.calls = append(t.calls, c)
		told(n+1, faulty+healthy)
	}
	return nil
}

// experiment carries out what was named, where one of the two causes that it
// tells apart is the true one.
func (t *trial) experiment(ctx context.Context, c *call) error {
	n := c.ranking.Next
	if n == nil || c.truth.code != n.If && c.truth.code != n.Else {
		return nil
	}
	after := c.truth
	if slices.Contains(n.Undoes, after.code) {
		after = after.undone(rand.New(rand.NewPCG(c.unit, t.b.world.seed+1)))
	}
	e, _, err := t.b.measure(ctx, c.unit, 1, after)
	if err != nil {
		return fmt.Errorf("simulated unit %d after %q: %w", c.unit, n.Name, err)
	}
	c.tried = true
	c.back, c.clear = cause.Read(&c.e, &e, t.usual, t.table, n.Undoes)
	return nil
}

// separated says whether the experiment named the true one of its two causes.
func (c *call) separated() bool {
	return c.clear && c.back == slices.Contains(c.ranking.Next.Undoes, c.truth.code)
}
