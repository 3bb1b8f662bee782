package causes

import (
	"errors"
	"fmt"
	"strings"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// subject is the attempt that is asked about.
type subject struct {
	entry   record.Entry
	attempt *record.Attempt
	number  int // among the unit's attempts on record, from 1
	of      int
	later   *record.Attempt // the one after it that measured something, nil for none
	serial  string
	log     *store.Follower
}

// find takes the attempt of a number; 0 is the last one that failed, else the
// last one that measured something.
func find(log *store.Follower, serial string, number int) (*subject, error) {
	list, err := log.BySerial(serial)
	if err != nil {
		return nil, fmt.Errorf("reading the history of %q: %w", serial, err)
	}
	if len(list) == 0 {
		return nil, fmt.Errorf("the log has nothing about %q: check the serial, or look for it with `panecal find`", serial)
	}
	var entries []record.Entry
	for _, e := range list {
		if _, ok := e.Body.(*record.Attempt); ok {
			entries = append(entries, e)
		}
	}
	if number < 0 || number > len(entries) {
		return nil, fmt.Errorf("%s has %d attempts on record: --attempt %d is none of them", serial, len(entries), number)
	}
	of := func(i int) *record.Attempt { return entries[i].Body.(*record.Attempt) }
	if number == 0 {
		for i := range entries {
			if a := of(i); len(a.Quantities) > 0 && (number == 0 || a.Outcome != record.Passed || of(number-1).Outcome == record.Passed) {
				number = i + 1
			}
		}
	}
	if number == 0 {
		return nil, fmt.Errorf("no attempt of %s measured anything: `panecal unit %s` says what happened", serial, serial)
	}
	s := &subject{entry: entries[number-1], attempt: of(number - 1), number: number, of: len(entries), serial: serial, log: log}
	if len(s.attempt.Quantities) == 0 {
		return nil, fmt.Errorf("attempt %d of %s measured nothing: `panecal unit %s` says what happened", number, serial, serial)
	}
	for i := number; i < len(entries) && s.later == nil; i++ {
		if a := of(i); len(a.Quantities) > 0 {
			s.later = a
		}
	}
	return s, nil
}

// words says which attempt it is.
func (s *subject) words() string {
	r := &s.attempt.Run
	parts := []string{fmt.Sprintf("attempt %d of %d", s.number, s.of), s.entry.Time.UTC().Format("2006-01-02 15:04:05Z"), string(r.Purpose), "nest " + r.Nest, string(s.attempt.Outcome)}
	if r.Lot != "" {
		parts = append(parts, "lot "+r.Lot)
	}
	return strings.Join(parts, ", ")
}

// capture reads a raw capture of the attempt, nil where there is none.
func (s *subject) capture(name string) (*record.Capture, error) {
	for _, ref := range s.attempt.Captures {
		if ref.Name != name {
			continue
		}
		c, err := s.log.Capture(ref)
		if errors.Is(err, store.ErrNotFound) {
			return nil, nil
		}
		if err != nil {
			return nil, fmt.Errorf("reading the raw capture %q: %w", name, err)
		}
		if c.Kind == "histograms" {
			return c, nil
		}
	}
	return nil, nil
}
