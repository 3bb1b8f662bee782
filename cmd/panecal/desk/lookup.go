package desk

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"example.org/panecal/store"
)

// Lookup gives the attempts that a text finds, in log order, as `panecal find` does: a
// serial, a part of one or a unit's identity, and flags, as they are typed. held says
// that OnHold of the row is known.
func Lookup(ctx context.Context, log *store.Follower, text string, each func(r *store.Row, held bool) error) error {
	list, err := typed(text)
	if err != nil {
		return err
	}
	var choice Choice
	s := search{each: each}
	c := &cobra.Command{Use: "find"}
	choice.AddTo(c)
	c.Flags().StringVar(&s.unitID, "unit-id", "", "")
	if err := c.ParseFlags(list); err != nil {
		return fmt.Errorf("%w: flags as of panecal find, such as --nest B", err)
	}
	if s.filter, err = choice.Filter(); err != nil {
		return err
	}
	switch rest := c.Flags().Args(); {
	case len(rest) > 1:
		return errors.New("one serial, or a part of one, is looked for at a time")
	case len(rest) == 1:
		s.text = rest[0]
	}
	return s.run(ctx, log)
}

// typed is the words of a text, with quotes where one has spaces.
func typed(text string) ([]string, error) {
	if strings.TrimSpace(text) == "" {
		return nil, nil
	}
	r := csv.NewReader(strings.NewReader(text))
	r.Comma, r.TrimLeadingSpace = ' ', true
	list, err := r.Read()
	if err != nil {
		return nil, fmt.Errorf("a value with spaces stands in double quotes: %w", err)
	}
	return slices.DeleteFunc(list, func(s string) bool { return s == "" }), nil
}
