package desk

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/whatif"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// NewTry makes `panecal limits try`; open opens the log that it reads.
func NewTry(open func() (Log, error)) *cobra.Command {
	var choice Choice
	asJSON, sample := false, 300
	c := &cobra.Command{
		Use:   "try FILE",
		Short: "Judge recorded attempts again under other limits",
		Long: `Judges recorded attempts of the file's product as if its limits had been in
force: how many each soft bin would have held, the station first-pass yield (of
first attempts of production with a verdict), the units that change bin, the
shares of units that would be accepted or rejected falsely, and what guard
factors 0, 1 and 2 cost and save.

An attempt that ended without a verdict of its limits keeps its bin. A quantity
that was never measured, as after a failure that the new limits forgive, makes
the yield an interval. Of each uncertainty the part that varies from unit to unit
is taken out of the scatter, nest by nest; the part common to a nest counts as a
shift of all its units, and the worst nest is told. Where nothing is left the
limit is "not resolved", and the upper bound takes all scatter for the units'.
Zones are worked out from a sample of records, which --sample sets. A guard factor
other than 0 to 3 on a quantity with zones reads every record, and says so.

` + ChoiceHelp + `

Retests are left out unless --attempts all is given.`,
		Example: `  panecal limits try hopper-54.limits.toml
  panecal limits try next.limits.toml --since 2026-09-01 --nest B
  panecal limits try next.limits.toml --attempts all --json`,
		Args: cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			data, err := os.ReadFile(args[0])
			if err != nil {
				return fmt.Errorf("reading the limits file: %w", err)
			}
			f, err := limits.Read(filepath.Base(args[0]), data)
			if err != nil {
				return fmt.Errorf("the limits file cannot be used:\n%w", err)
			}
			pick, err := choice.Filter()
			if err != nil {
				return err
			}
			if pick.Product != "" && pick.Product != f.Product {
				return cli.UsageError(fmt.Errorf("--product %s, and the limits are for %s", pick.Product, f.Product))
			}
			if sample < 0 {
				return cli.UsageError(fmt.Errorf("--sample %d: give 0 or more", sample))
			}
			pick.Product = f.Product
			log, err := open()
			if err != nil {
				return err
			}
			defer log.Close()
			a, err := try(c.Context(), log, f, pick, sample, telling{made: summing(c.ErrOrStderr())})
			if errors.Is(err, store.ErrDamaged) {
				return &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("trying limits: %w; `panecal log check` shows all of it", err)}
			}
			if err != nil {
				return fmt.Errorf("trying limits: %w", err)
			}
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), a)
			}
			return a.WriteText(c.OutOrStdout())
		},
	}
	choice.AddTo(c)
	choice.Prefer("first")
	c.Flags().IntVar(&sample, "sample", sample, "records whose zone values are read for the risks")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

// Prefer makes another value that of --attempts where nobody gives one.
func (o *Choice) Prefer(attempts string) {
	f := o.flags.Lookup("attempts")
	f.DefValue = attempts
	o.attempts = attempts
}

// try holds a limits file against the attempts that are picked.
func try(ctx context.Context, log Log, f *limits.File, pick store.Filter, sample int, tell telling) (whatif.Answer, error) {
	t, err := whatif.New(f)
	if err != nil {
		return whatif.Answer{}, err
	}
	some := NewSample(sample)
	whole := len(whatif.Whole(f)) > 0
	if whole {
		err = tryRows(ctx, log, t, pick, some)
	} else {
		err = scan(ctx, log, pick, tell, func(station string, b whatif.Rows, picked []bool) (func() error, error) {
			p, err := t.Judge(b, picked)
			if err != nil {
				return nil, err
			}
			offered, err := some.pick(station, b, picked)
			return func() error { t.Take(p); some.add(offered); return nil }, err
		})
		if err == nil && t.Refine() {
			err = scan(ctx, log, pick, telling{}, func(station string, b whatif.Rows, picked []bool) (func() error, error) {
				p, err := t.Judge(b, picked)
				return func() error { t.Take(p); return nil }, err
			})
		}
	}
	if err != nil {
		return whatif.Answer{}, err
	}
	units, err := some.Units(log)
	if err != nil {
		return whatif.Answer{}, err
	}
	a, err := t.Answer(units)
	a.Whole = whole
	return a, err
}

// tryRows goes row by row, where zones are needed.
func tryRows(ctx context.Context, log Log, t *whatif.Trial, pick store.Filter, some *Sample) error {
	block := &rows{}
	flush := func() error {
		if err := ctx.Err(); err != nil {
			return context.Cause(ctx)
		}
		err := t.Add(block, nil)
		block.list, block.sets = block.list[:0], block.sets[:0]
		return err
	}
	attempts := func(each func(*store.Row) error) error { return log.Attempts(pick, store.AllQuantities(), each) }
	take := func(r *store.Row, set quantity.Set) error {
		some.Offer(r)
		block.add(r, set)
		if len(block.list) == cap(block.list) {
			return flush()
		}
		return nil
	}
	err := withRecords(log, attempts, take)
	return errors.Join(err, flush())
}

// withRecords gives rows together with what their records say of each zone.
func withRecords(log Log, attempts func(func(*store.Row) error) error, take func(*store.Row, quantity.Set) error) error {
	stop := errors.New("enough")
	var failed error
	next, end := iter.Pull(func(yield func(*store.Row) bool) {
		failed = attempts(func(r *store.Row) error {
			if !yield(r) {
				return stop
			}
			return nil
		})
	})
	defer end()
	r, more := next()
	if !more {
		return failed
	}
	err := log.Since(record.Ref{}, func(e record.Entry) error {
		a, ok := e.Body.(*record.Attempt)
		if !ok || e.Ref.Station != r.Station || e.Ref.Sequence != r.Sequence || e.Ref.Generation != r.Generation {
			return nil
		}
		if err := take(r, a.Set()); err != nil {
			return err
		}
		if r, more = next(); !more {
			return stop
		}
		return nil
	})
	if errors.Is(err, stop) {
		return failed
	}
	if err == nil {
		err = fmt.Errorf("record %d was not found again", r.Sequence)
	}
	return err
}
