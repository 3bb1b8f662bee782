package analyst

import (
	"errors"
	"fmt"
	"io/fs"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/store"
	"example.org/panecal/store/evidence"
	"example.org/panecal/store/record"
)

// Open opens a log.
type Open func() (*store.Follower, error)

// fail gives an error of reading the log its exit code.
func fail(doing string, err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, store.ErrDamaged), errors.Is(err, fs.ErrNotExist):
		return &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("%s: %w; `panecal log check` shows all of it", doing, err)}
	}
	return fmt.Errorf("%s: %w", doing, err)
}

// records returns all that the log has about a unit as people type it, and its
// whole serial.
func records(log *store.Follower, typed string) ([]record.Entry, string, error) {
	for _, serial := range desk.Serials(typed) {
		list, err := log.BySerial(serial)
		if err != nil || len(list) > 0 {
			return list, serial, err
		}
	}
	return nil, "", fmt.Errorf("the log has nothing about %q: `panecal find %s` looks for a part of it", typed, typed)
}

// picked is one attempt of a unit.
type picked struct {
	serial string
	entry  record.Entry
	*record.Attempt
}

// pick returns an attempt of a unit: the newest with that number, or with number 0
// the newest of all; of these the newest that has raw captures.
func pick(log *store.Follower, typed string, number int) (picked, error) {
	list, serial, err := records(log, typed)
	if err != nil {
		return picked{}, err
	}
	var found picked
	attempts := 0
	for _, e := range list {
		a, ok := e.Body.(*record.Attempt)
		if !ok {
			continue
		}
		attempts++
		if number != 0 && a.Run.AttemptNo != number || found.Attempt != nil && len(a.Captures) == 0 && len(found.Captures) > 0 {
			continue
		}
		found = picked{serial, e, a}
	}
	switch {
	case found.Attempt != nil:
		return found, nil
	case attempts == 0:
		return picked{}, fmt.Errorf("the log has no attempt of %s, only %d other records: `panecal unit %s` shows them", serial, len(list), serial)
	}
	return picked{}, fmt.Errorf("none of the %d attempts of %s has the number %d: `panecal find %s` lists them", attempts, serial, number, serial)
}

// what names the attempt.
func (p *picked) what() string {
	return fmt.Sprintf("%s, attempt %d (%s, %s), record %s", p.serial, p.Run.AttemptNo, p.Run.Purpose, p.Outcome, p.entry.Ref)
}

// evidence reads the raw captures of an attempt.
func (p *picked) evidence(f *evidence.Files) (*evidence.Evidence, error) {
	e, err := f.Of(p.Attempt)
	if errors.Is(err, evidence.ErrNoCaptures) {
		return nil, fmt.Errorf("%s: %w", p.what(), err)
	}
	return e, err
}

// attemptFlag adds the flag that picks an attempt.
func attemptFlag(c *cobra.Command, number *int) {
	c.Flags().IntVar(number, "attempt", 0, "number of the attempt (default: the newest with raw captures)")
	c.PreRunE = func(*cobra.Command, []string) error {
		if c.Flags().Changed("attempt") && *number < 1 {
			return cli.UsageError(errors.New("--attempt counts from 1"))
		}
		return nil
	}
}
