package logs

import (
	"context"
	"errors"
	"fmt"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/store"
	"example.org/panecal/store/central"
)

// histories takes the URLs of histories out of what a log is to be held against.
func histories(against []string) (at []*central.Target, rest []string, err error) {
	for _, text := range against {
		if !central.IsURL(text) {
			rest = append(rest, text)
			continue
		}
		t, err := central.Parse(text)
		if err != nil {
			return nil, nil, cli.UsageError(fmt.Errorf("--against: %w", err))
		}
		at = append(at, t)
	}
	return at, rest, nil
}

// against holds the log in folder against a history, record by record.
func (r *Report) against(ctx context.Context, t *central.Target, folder string) (err error) {
	f, err := store.Follow(folder, "")
	if err != nil {
		return Error("holding the log against the history", folder, err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	c, err := central.Compare(ctx, t, f)
	if err != nil {
		return fmt.Errorf("holding the log against the history: %w", err)
	}
	r.Witnesses = append(r.Witnesses, witness{Kind: "history", Where: t.String(), Sequence: c.Sequence, Agrees: c.Incident == nil})
	note := func(format string, args ...any) {
		r.Notes = append(r.Notes, t.String()+": "+fmt.Sprintf(format, args...))
	}
	if i := c.Incident; i != nil {
		r.Problems = append(r.Problems, problem{i.Fault, "journal", i.First, -1, t.String() + ": " + i.What})
	} else if c.Sequence < c.Head.Sequence {
		note("it has the log up to record %d, records %d to %d are not there yet", c.Sequence, c.Sequence+1, c.Head.Sequence)
	}
	if c.Gone > 0 {
		note("%d records were there whose months were dropped", c.Gone)
	}
	if c.Beyond > 0 {
		note("it has %d records of an earlier generation, made after the backup that this log goes on from", c.Beyond)
	}
	return nil
}
