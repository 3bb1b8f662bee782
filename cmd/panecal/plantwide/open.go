package plantwide

import (
	"context"
	"fmt"
	"io"

	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/limits/visible"
	"example.org/panecal/store"
	"example.org/panecal/store/central"
	"example.org/panecal/store/query"
)

// Served says which commands answer from a history.
const Served = "find, unit, export and limits try answer from a history as well, with its URL for --data"

// Sources is where commands read that answer from a station's log and from a history
// alike.
type Sources struct {
	Data       string // of the flag: a folder, or the URL of a history
	Follow     func() (*store.Follower, string, error)
	Remembered func(folder string, talk io.Writer) error
}

// Past is what a unit's history is read from.
type Past interface {
	query.Source
	query.Past
	Close() error
}

// Log opens what is read; the caller closes it.
func (s Sources) Log() (desk.Log, error) {
	if central.IsURL(s.Data) {
		return s.history()
	}
	f, _, err := s.Follow()
	return f, err
}

// Past opens what a unit's history is read from, of one station alone where it is
// named, and returns what holds a folder's log against who remembers it.
func (s Sources) Past(station string, talk io.Writer) (Past, func() error, error) {
	if central.IsURL(s.Data) {
		r, err := s.history()
		if err != nil {
			return nil, nil, err
		}
		r.Only(station)
		return r, func() error { return nil }, nil
	}
	f, folder, err := s.Follow()
	if err != nil {
		return nil, nil, err
	}
	if head, _, err := f.Ends(); err == nil && station != "" && head.Station != station {
		return nil, nil, fmt.Errorf("%s holds the log of station %s, not of %s", folder, visible.Text(head.Station), visible.Text(station))
	}
	return f, func() error { return s.Remembered(folder, talk) }, nil
}

// history opens the history. The commands end themselves between two answers, and a
// second signal ends the process.
func (s Sources) history() (*central.Reader, error) {
	t, err := target(s.Data)
	if err != nil {
		return nil, err
	}
	r, err := central.OpenReader(context.Background(), t)
	if err != nil {
		return nil, failure("reading the history", err)
	}
	return r, nil
}
