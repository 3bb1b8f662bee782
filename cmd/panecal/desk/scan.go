package desk

import (
	"context"
	"fmt"
	"io"
	"slices"

	"example.org/panecal/limits/whatif"
	"example.org/panecal/store"
)

// telling is told how far a scan is; either may be nil.
type telling struct {
	made func(part, parts int) // of stretches whose outline had to be made
	done func(part, parts int)
}

// scan goes through the log in stretches with their outlines, several at a time:
// each says what is done with one when its turn has come.
func scan(ctx context.Context, log Log, pick store.Filter, tell telling, each func(station string, b whatif.Rows, picked []bool) (then func() error, err error)) error {
	whole, ok := log.(stretched)
	if !ok {
		return scanBlocks(ctx, log, pick, each)
	}
	kept := store.Kept{Name: "outline", Version: whatif.OutlineVersion, Making: tell.made, Make: func(s *store.Stretch) ([]byte, error) {
		if err := ctx.Err(); err != nil {
			return nil, context.Cause(ctx)
		}
		return whatif.MakeOutline(s)
	}}
	return whole.Stretches(pick, kept, func(s *store.Stretch) (func() error, error) {
		if err := ctx.Err(); err != nil {
			return nil, context.Cause(ctx)
		}
		var b whatif.Rows = s
		if data := s.Kept(); len(data) > 0 {
			// Without an outline it takes longer, and comes to the same.
			if o, err := whatif.ReadOutline(data); err == nil {
				if over, err := o.Over(s); err == nil {
					b = over
				}
			}
		}
		var m mask
		picked, err := m.choose(b, s.Station, s.OnHold, &pick)
		if err != nil || !slices.Contains(picked, true) {
			return nil, err
		}
		then, err := each(s.Station, b, picked)
		if tell.done == nil || then == nil {
			return then, err
		}
		return func() error { tell.done(s.Part, s.Parts); return then() }, err
	})
}

// scanBlocks does the same where no outlines are kept.
func scanBlocks(ctx context.Context, log Log, pick store.Filter, each func(station string, b whatif.Rows, picked []bool) (then func() error, err error)) error {
	var m mask
	return log.Blocks(pick, func(b *store.Block) error {
		if err := ctx.Err(); err != nil {
			return context.Cause(ctx)
		}
		picked, err := m.of(b, &pick)
		if err != nil || !slices.Contains(picked, true) {
			return err
		}
		then, err := each(b.Station, b, picked)
		if err != nil || then == nil {
			return err
		}
		return then()
	})
}

// summing says every fifth of how far a log is summed up for the next time, where
// that takes a while.
func summing(talk io.Writer) func(part, parts int) {
	told := 0
	return func(part, parts int) {
		const worthTelling = 25
		if fifth := 5 * part / parts; parts >= worthTelling && fifth > told {
			told = fifth
			fmt.Fprintf(talk, "summing the log up, for the next time too: %d %%\n", 20*fifth)
		}
	}
}
