package causes

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"testing"

	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station/cause"
)

// learning are the worlds of the table. How a receiver scatters what comes from
// its window is not known of any product, so the table has seen several ways:
// patterns over the zones that hang on one of them are not relied upon.
func learning() []*world {
	return []*world{
		{seed: 1, law: simunit.StrayLaw{Power: 0.63}, pulse: 1, worse: 1, seatDeg: 0.03},
		{seed: 2, law: simunit.StrayLaw{Power: 1.6, Shoulder: 0.9}, pulse: 0.98, worse: 1.4, seatDeg: 0.03},
		{seed: 3, law: simunit.StrayLaw{Scale: 1.2}, pulse: 1.02, worse: 1, seatDeg: 0.05},
		{seed: 4, law: simunit.StrayLaw{Power: 0.3}, pulse: 1, worse: 0.8, seatDeg: 0.05},
	}
}

// firstExample is the first unit that a table learns from.
const firstExample = 1_000_000

// repeats is how many healthy units of a world are measured twice.
const repeats = 30

// learn makes the table of likelihoods of so many simulated units a cause, and
// twice as many healthy ones, in each of the worlds.
func learn(ctx context.Context, worlds []*world, each int, told func(done, of int)) (*cause.Table, error) {
	var list []cause.Example
	for i, w := range worlds {
		of := each * (len(cause.Codes()) + 1)
		some, err := examples(ctx, w, each, func(done int) { told(i*of+done, len(worlds)*of) })
		if err != nil {
			return nil, err
		}
		list = append(list, some...)
	}
	return cause.Learn(list), nil
}

// examples are the units of one world, with the population that they make.
func examples(ctx context.Context, w *world, each int, told func(done int)) ([]cause.Example, error) {
	b, err := newBench(w)
	if err != nil {
		return nil, err
	}
	var list []cause.Example
	var healthy []cause.Evidence
	codes := append(cause.Codes(), cause.None)
	for n := range each * len(codes) {
		code, unit := codes[n%len(codes)], firstExample+uint64(n)
		x := cause.Example{Code: code}
		f := drawAt(code, unit, w.seed)
		x.Severity = f.size
		if x.Evidence, _, err = b.measure(ctx, unit, 0, f); err != nil {
			return nil, fmt.Errorf("simulated unit %d with %s: %w", unit, code, err)
		}
		if code == cause.None {
			if len(healthy) < repeats {
				again, _, err := b.measure(ctx, unit, 1, f)
				if err != nil {
					return nil, fmt.Errorf("simulated unit %d again: %w", unit, err)
				}
				x.Again = &again
			}
			healthy = append(healthy, x.Evidence)
		}
		list = append(list, x)
		told(n + 1)
	}
	p, err := cause.NewPopulation(healthy)
	for i := range list {
		list[i].Of = p
	}
	return list, err
}

// each is how many simulated units of a cause the table learns from in each world.
const each = 50

// TestLearn learns the table of package cause into the file that PANECAL_LEARN
// names.
func TestLearn(t *testing.T) {
	name := os.Getenv("PANECAL_LEARN")
	if name == "" {
		t.Skip("PANECAL_LEARN names the file that the table goes to: make likelihoods")
	}
	table, err := learn(t.Context(), learning(), each, func(done, of int) {
		if done%100 == 0 {
			fmt.Fprintf(os.Stderr, "%d of %d units\n", done, of)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := table.Write(&b); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}
