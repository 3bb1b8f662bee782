package causes

import (
	"errors"
	"fmt"
	"strings"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// subject is the attempt that is asked about.
type subject struct {
	entry   record.Entry
	attempt *record.Attempt
	later   *record.Attempt // the one after it that measured something, nil for none
	serial  string
	log     *store.Follower
}

// attemptHelp explains the flag that picks an attempt.
const attemptHelp = "number of the attempt (default: the last one that failed, else the last)"

// find takes the newest attempt with a number, as on record; 0 is the last one
// that failed, else the last one that measured something.
func find(log *store.Follower, typed string, number int) (*subject, error) {
	if number < 0 {
		return nil, cli.UsageError(errors.New("--attempt counts from 1"))
	}
	var list []record.Entry
	serial := typed
	for _, whole := range desk.Serials(typed) {
		var err error
		if list, err = log.BySerial(whole); err != nil {
			return nil, fmt.Errorf("reading the history of %q: %w", whole, err)
		}
		if len(list) > 0 {
			serial = whole
			break
		}
	}
	if len(list) == 0 {
		return nil, fmt.Errorf("the log has nothing about %q: `panecal find %s` looks for a part of it", typed, typed)
	}
	s := &subject{serial: serial, log: log}
	attempts := 0
	for _, e := range list {
		a, ok := e.Body.(*record.Attempt)
		if !ok {
			continue
		}
		attempts++
		measured := len(a.Quantities) > 0
		failed := s.attempt != nil && s.attempt.Outcome != record.Passed
		switch {
		case number != 0 && a.Run.AttemptNo == number, number == 0 && measured && (a.Outcome != record.Passed || !failed):
			s.entry, s.attempt, s.later = e, a, nil
		case measured && s.attempt != nil && s.later == nil:
			s.later = a
		}
	}
	switch {
	case s.attempt == nil && number != 0:
		return nil, fmt.Errorf("none of the %d attempts of %s has the number %d: `panecal find %s` lists them", attempts, serial, number, serial)
	case s.attempt == nil || len(s.attempt.Quantities) == 0:
		return nil, fmt.Errorf("no such attempt of %s measured anything: `panecal unit %s` says what happened", serial, serial)
	}
	return s, nil
}

// words says which attempt it is.
func (s *subject) words() string {
	r := &s.attempt.Run
	parts := []string{fmt.Sprintf("attempt %d", s.attempt.Run.AttemptNo), s.entry.Time.UTC().Format("2006-01-02 15:04:05Z"), string(r.Purpose), "nest " + r.Nest, string(s.attempt.Outcome)}
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
